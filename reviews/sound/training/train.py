"""Train the net on endless invented music, mixed as it goes.

    python -m reviews.sound.training.train --notes notes.npz --apart apart.npz --out OUT --seconds 540 --from 0 --to 0.4

Worker processes invent the music and choose recordings; the GPU mixes, spoils, transforms and trains. The run lasts
`--seconds` and moves along one cosine schedule from the fraction `--from` to `--to`, so that a training can be cut into
several; `--resume` takes up where another stopped. Under `torchrun`, every GPU trains on clips of its own and the
gradients are averaged. Written: `last.pt` (weights, their running average, optimiser) at every check and at the end,
`log.txt`. A check plays fixed music on instruments of `--apart`, which are in no mixture, and tells note F1, octave
partners heard and octaves heard that nobody played: stop when these rise.
"""

import argparse
import copy
import math
import os
import time
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import numpy as np
import torch
from torch import distributed

from reviews.sound.listener import HOP, RATE_HZ, Activations, strikes
from reviews.sound.training import mixing, music, network
from reviews.sound.training.planning import Catalogue, Plan, choose, labels

SECONDS = 6.0
SAMPLES = int(SECONDS * RATE_HZ)
FRAMES = SAMPLES // HOP + 1
WARM_UP_STEPS = 300
LEAST_RATE = 0.02  # of the learning rate, at the end of the cosine
AVERAGE = 0.999  # of the running average of weights kept at each step
LOUD_RMS = 0.1  # as in `listener.loudness_gain`
LEVEL_SCATTER_DB = 3.0  # dB by which clips miss that level, as recordings with long pauses do
CHECK_CLIPS = 32
CHECK_THRESHOLD = 0.4


class Plans(torch.utils.data.IterableDataset[Plan]):
    """Endless plans for batches of clips."""

    def __init__(self, catalogue: Catalogue, *, clips: int, seed: int) -> None:
        self.catalogue, self.clips, self.seed = catalogue, clips, seed

    def __iter__(self) -> Iterator[Plan]:
        worker = torch.utils.data.get_worker_info()
        r = np.random.default_rng([self.seed, worker.id if worker else 0])
        while True:
            yield choose(r, [music.clip(r, seconds=SECONDS) for _ in range(self.clips)], catalogue=self.catalogue)


def batch_of(lib: mixing.Library, plan: Plan, *, clips: int) -> tuple[list[torch.Tensor], dict[str, torch.Tensor]]:
    """What the net sees of a plan, and what it should answer."""
    with torch.no_grad():
        x = mixing.degrade(mixing.render(lib, plan, clips=clips, samples=SAMPLES))
        blocks = x.view(clips, SAMPLES // 800, 800).square().mean(2).sqrt()
        loud = blocks.quantile(0.95, dim=1, keepdim=True).clamp_min(1e-4)
        x = x * (LOUD_RMS / loud) * 10 ** (torch.randn(clips, 1, device=x.device) * LEVEL_SCATTER_DB / 20)
        wanted = mixing.dense(labels(plan, frames=FRAMES), clips=clips, frames=FRAMES, device=lib.device)
        return network.spectra_of(x), wanted


def heard_of(out: np.ndarray) -> Activations:
    """Answers (frames, 88, 4) as activations."""
    probability = 1 / (1 + np.exp(-np.clip(out, -30, 30)))
    times_s = np.arange(len(out)) * (HOP / RATE_HZ)
    return Activations(times_s, probability[..., 0], out[..., 1] * HOP / RATE_HZ, out[..., 2] * 10, probability[..., 3])


def check(net: torch.nn.Module, lib: mixing.Library, plans: list[Plan]) -> dict[str, float]:
    """Note F1 (50 ms), precision, recall, octave partners heard, octave ghosts per 100 notes, onset error in ms."""
    net.eval()
    right = played = heard = octaves = octaves_heard = ghosts = 0
    errors_ms = []
    state = torch.random.get_rng_state()
    torch.manual_seed(7)
    for plan in plans:
        magnitudes, _ = batch_of(lib, plan, clips=CHECK_CLIPS)
        with torch.no_grad(), torch.autocast(lib.device.split(":")[0], torch.bfloat16, enabled="cuda" in lib.device):
            out = net(*magnitudes).float().cpu().numpy()
        for clip in range(CHECK_CLIPS):
            inside = (plan.labelled > 0) & (plan.onset_s >= 0.05) & (plan.onset_s < SECONDS - 0.1)
            q = np.flatnonzero((plan.clip == clip) & inside)
            at, pitch = plan.onset_s[q], plan.pitch[q]
            found = [s for s in strikes(heard_of(out[clip]), threshold=CHECK_THRESHOLD) if s.onset_s < SECONDS - 0.05]
            found_s, found_pitch = np.array([s.onset_s for s in found]), np.array([s.pitch_midi for s in found])
            used = np.zeros(len(found), bool)
            for t, p in zip(at, pitch, strict=True):
                partner = bool(np.any((abs(at - t) < 0.03) & (abs(pitch - p) == 12)))
                octaves += partner
                near = np.flatnonzero((found_pitch == p) & ~used & (abs(found_s - t) < 0.05)) if found else []
                if len(near):
                    best = near[np.argmin(abs(found_s[near] - t))]
                    used[best] = True
                    right, octaves_heard = right + 1, octaves_heard + partner
                    errors_ms.append(1e3 * (found_s[best] - t))
            counted = (found_s >= 0.05) & (found_s < SECONDS - 0.1) if found else used
            played, heard = played + len(q), heard + int(np.sum(counted | used))
            for i in np.flatnonzero(counted & ~used):
                ghosts += bool(
                    np.any((abs(at - found_s[i]) < 0.06) & np.isin(abs(pitch - found_pitch[i]), (12, 19, 24)))
                )
    torch.random.set_rng_state(state)
    error = np.array(errors_ms or [0.0])
    return {
        "F": 2 * right / max(played + heard, 1),
        "P": right / max(heard, 1),
        "R": right / max(played, 1),
        "octaves": octaves_heard / max(octaves, 1),
        "octave_ghosts": 100 * ghosts / max(played, 1),
        "med_ms": float(np.median(abs(error - np.median(error)))),
        "p95_ms": float(np.percentile(abs(error - np.median(error)), 95)),
    }


def fixed_plans(lib: mixing.Library, *, batches: int = 3) -> list[Plan]:
    """The same music every time, on the instruments of a library."""
    plans = []
    for i in range(batches):
        tables = [music.clip(np.random.default_rng([98, i, j]), seconds=SECONDS) for j in range(CHECK_CLIPS)]
        plans.append(choose(np.random.default_rng([99, i]), tables, catalogue=lib.catalogue))
    return plans


def averaged(gradients: list[torch.Tensor], *, over: int) -> None:
    """Replace gradients by their mean over all processes."""
    flat = torch.cat([g.reshape(-1) for g in gradients])
    distributed.all_reduce(flat)
    flat /= over
    at = 0
    for g in gradients:
        g.copy_(flat[at : at + g.numel()].view_as(g))
        at += g.numel()


class Trainer:
    """One training, on one GPU of perhaps several."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options, self.begin = options, time.time()
        self.rank, self.ranks = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
        self.device = f"cuda:{os.environ.get('LOCAL_RANK', '0')}" if torch.cuda.is_available() else "cpu"
        if "cuda" in self.device:
            torch.cuda.set_device(self.device)
            torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
            torch.backends.cudnn.benchmark = True
        if self.ranks > 1:
            distributed.init_process_group("nccl" if "cuda" in self.device else "gloo")
        options.out.mkdir(parents=True, exist_ok=True)
        torch.manual_seed(options.seed)
        self.net = network.Net().to(self.device, memory_format=torch.channels_last)
        self.average = copy.deepcopy(self.net).eval()
        wide = [p for n, p in self.net.named_parameters() if p.ndim > 1 and n != "place"]
        narrow = [p for n, p in self.net.named_parameters() if p.ndim <= 1 or n == "place"]
        groups = [{"params": wide, "weight_decay": 1e-3}, {"params": narrow, "weight_decay": 0.0}]
        self.optimiser = torch.optim.AdamW(groups, lr=options.rate, betas=(0.9, 0.98))
        self.step = 0
        if options.resume and options.resume.is_file():
            stored = torch.load(options.resume, map_location=self.device, weights_only=True)
            self.net.load_state_dict(stored["net"])
            self.average.load_state_dict(stored["average"])
            self.optimiser.load_state_dict(stored["optimiser"])
            self.step = stored["step"]
        torch.manual_seed(options.seed * 1000 + self.step * 10 + self.rank)
        self.lib = mixing.library(
            options.notes, device=self.device, copies=options.copies, pianos=options.pianos, seed=options.seed * 100
        )
        self.apart = mixing.library(options.apart, device=self.device) if options.apart and not self.rank else None
        parameters = sum(p.numel() for p in self.net.parameters())
        self.say(
            f"{len(self.lib.names)} instruments, {parameters} parameters, from step {self.step}, {self.ranks} of {self.device}"
        )

    def say(self, *words: object) -> None:
        """Tell and keep."""
        if self.rank:
            return
        text = f"{time.time() - self.begin:6.1f} s " + " ".join(map(str, words))
        print(text, flush=True)  # noqa: T201
        with (self.options.out / "log.txt").open("a") as log:
            log.write(text + "\n")

    def save(self) -> None:
        """Write `last.pt` whole or not at all."""
        if self.rank:
            return
        state = {
            "net": self.net.state_dict(),
            "average": self.average.state_dict(),
            "optimiser": self.optimiser.state_dict(),
            "step": self.step,
        }
        torch.save(state, self.options.out / "last.tmp")
        (self.options.out / "last.tmp").replace(self.options.out / "last.pt")

    def schedule(self) -> float:
        """The learning rate now."""
        o = self.options
        done = o.start + (o.end - o.start) * min(1.0, (time.time() - self.begin) / o.seconds)
        cosine = LEAST_RATE + (1 - LEAST_RATE) * 0.5 * (1 + math.cos(math.pi * done))
        return float(o.rate * min(1.0, (self.step + 1) / WARM_UP_STEPS) * cosine)

    def learn(self, run: torch.nn.Module, plan: Plan) -> dict[str, torch.Tensor]:
        """One step."""
        magnitudes, wanted = batch_of(self.lib, plan, clips=self.options.clips)
        self.net.train()
        with torch.autocast(self.device.split(":")[0], torch.bfloat16, enabled="cuda" in self.device):
            out = run(*magnitudes)
        parts = network.loss(out.float(), wanted)
        self.optimiser.zero_grad(set_to_none=True)
        parts["total"].backward()
        if self.ranks > 1:
            averaged([p.grad for p in self.net.parameters()], over=self.ranks)
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        self.step += 1
        kept = min(AVERAGE, self.step / (self.step + 30))
        with torch.no_grad():
            a, b = self.average.state_dict(), self.net.state_dict()
            names = [name for name in a if a[name].is_floating_point()]
            torch._foreach_lerp_([a[n] for n in names], [b[n] for n in names], 1 - kept)
        return {name: value.detach() for name, value in parts.items()}

    def train(self) -> None:
        """Until the time is over."""
        o = self.options
        source = Plans(self.lib.catalogue, clips=o.clips, seed=o.seed * 100_000 + self.step * 10 + self.rank)
        more = {"prefetch_factor": 4} if o.workers else {}
        plans = iter(
            torch.utils.data.DataLoader(source, batch_size=None, collate_fn=None, num_workers=o.workers, **more)
        )
        run = torch.compile(self.net) if o.compile else self.net
        checks = fixed_plans(self.apart) if self.apart else []
        sums: dict[str, torch.Tensor] = {}
        count, waited, marked, checked = 0, 0.0, time.time(), time.time()
        over = torch.zeros(1, device=self.device)
        while True:
            over.fill_(float(time.time() - self.begin >= o.seconds))
            if self.ranks > 1:
                distributed.broadcast(over, 0)
            if over.item():
                break
            for group in self.optimiser.param_groups:
                group["lr"] = self.schedule()
            asked = time.time()
            plan = next(plans)
            waited += time.time() - asked
            plan = Plan(*(np.asarray(getattr(plan, each.name)) for each in fields(Plan)))
            for name, value in self.learn(run, plan).items():
                sums[name] = sums.get(name, torch.zeros_like(value)) + value
            count += 1
            if self.step % 200 == 0 or self.step in (1, 2, 3, 20, 50):
                taken = time.time() - marked
                means = {name: float(value) / count for name, value in sums.items()}
                if not math.isfinite(means["total"]):
                    raise FloatingPointError(f"The loss is {means['total']} at step {self.step}.")
                told = " ".join(f"{name} {value:.3f}" for name, value in means.items())
                rate = self.optimiser.param_groups[0]["lr"]
                self.say(
                    f"step {self.step} rate {rate:.5f} {count / taken:.2f} steps/s waiting {waited / taken:.2f} {told}"
                )
                sums, count, waited, marked = {}, 0, 0.0, time.time()
            if not self.rank and time.time() - checked > o.check:
                if self.apart:
                    told = " ".join(f"{k} {v:.4f}" for k, v in check(self.average, self.apart, checks).items())
                    self.say(f"check at step {self.step}: {told}")
                self.save()
                checked = time.time()
        if self.apart:
            told = " ".join(f"{k} {v:.4f}" for k, v in check(self.average, self.apart, checks).items())
            self.say(f"end at step {self.step}: {told}")
        self.save()


def main() -> None:
    """Train as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=Path, help="note library; without it only invented pianos")
    parser.add_argument("--apart", type=Path, help="note library of instruments to check with")
    parser.add_argument("--out", type=Path, default=Path("build/listener"))
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--from", dest="start", type=float, default=0.0)
    parser.add_argument("--to", dest="end", type=float, default=1.0)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--clips", type=int, default=64, help="in a batch, for each GPU")
    parser.add_argument("--workers", type=int, default=14, help="for each GPU")
    parser.add_argument("--pianos", type=int, default=100, help="invented ones")
    parser.add_argument("--copies", type=int, default=10, help="recoloured ones of each sampled instrument")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--check", type=float, default=120, help="seconds between checks")
    parser.add_argument("--compile", action="store_true")
    Trainer(parser.parse_args()).train()
    if distributed.is_initialized():
        distributed.destroy_process_group()


if __name__ == "__main__":
    main()
