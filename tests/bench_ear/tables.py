"""What was counted, as tables: family by family, and against what is wanted. What each column means stands in README.md."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from tests.bench_ear.scoring import Tally

Key: TypeAlias = tuple[str, str, str]  # piano, family, sound
# Pianos that the net learnt from. What is wanted is wanted of the others.
LEARNT = {"salamander"}
TARGETED = ("five-finger", "minuet", "scales", "repeated")


def grouped(tallies: Mapping[Key, Tally]) -> dict[Key, Tally]:
    """The same, with sums over the pianos that the net never learnt from, over all pianos, and over all families."""
    sums: defaultdict[Key, Tally] = defaultdict(Tally)
    pianos = {piano for piano, _, _ in tallies}
    unseen = pianos - LEARNT
    for (piano, family, sound), tally in tallies.items():
        groups = [piano]
        if piano in unseen and len(unseen) > 1:
            groups.append("unseen")
        if len(pianos) > 1 and unseen != pianos:
            groups.append("all")
        for group in groups:
            for name in (family, "(all)"):
                sums[group, name, sound].add(tally)
    return dict(sums)


def unseen_of(tallies: Mapping[Key, Tally]) -> dict[tuple[str, str], Tally]:
    """Sums by family and sound over the pianos that the net never learnt from; family "(all)" is all of them together."""
    sums: defaultdict[tuple[str, str], Tally] = defaultdict(Tally)
    for (piano, family, sound), tally in tallies.items():
        if piano not in LEARNT:
            sums[family, sound].add(tally)
            sums["(all)", sound].add(tally)
    return dict(sums)


def families_table(tallies: Mapping[Key, Tally]) -> list[str]:
    lines = [
        "| piano | family | sound | takes | notes | F1 alone | F1 answered | peer, ours there (takes) | flux | onset ms | answered | accused / 100 | wrong found | missed found | restarts | invented | extras | invented | gaps |",
        "|" + "---|" * 19,
    ]
    for (piano, family, sound), tally in sorted(grouped(tallies).items()):
        c, notes = tally.counts, max(tally.counts["notes"], 1)
        median, p95 = tally.onset_ms()
        beside = f"{_three(tally.f1_of('peer'))}, {_three(tally.f1_of('ours'))} ({c['peer takes']})" if c["peer takes"] else "–"  # fmt: skip
        cells = [
            piano, family, sound, str(c["takes"]), str(c["notes"]), _three(tally.f1_of("alone")), _three(tally.f1_of("answered")),
            beside, _three(float(np.mean(tally.flux))) if tally.flux else "–",
            f"{median:.1f} / {p95:.1f} ({c['another playing']})",
            f"{100 * c['answered'] / notes:.1f} %", f"{100 * c['accused'] / notes:.2f}",
            f"{c['wrong found']} of {c['wrong']} ({c['wrong'] - c['wrong answered']})",
            f"{c['missed found']} of {c['missed']} ({c['missed'] - c['missed answered']})",
            f"{c['restarts found']} of {c['restarts']}", str(c["restarts invented"]),
            f"{c['extras found']} of {c['extras']}", str(c["extras invented"]),
            f"{tally.ioi_within()} of {len(tally.ioi_ms)}",
        ]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return lines


@dataclass(frozen=True)
class Wanted:
    """A number to be reached by the families of `TARGETED`, in their order; None where nothing is set."""

    what: str
    sound: str
    wanted: tuple[float | None, ...]
    reached: Callable[[Tally], float | None]
    at_least: bool = True
    form: str = "{:.3f}"


def _share(part: str, whole: str, times: float = 100.0) -> Callable[[Tally], float | None]:
    def of(tally: Tally) -> float | None:
        share = tally.share(part, whole)
        return None if share is None else times * share

    return of


WANTED = (
    Wanted("F1 of strikes, among the answered", "phone", (0.998, 0.985, 0.985, 0.99), lambda t: t.f1_of("answered")),
    Wanted("F1 of strikes, alone", "phone", (0.998, 0.985, 0.985, 0.99), lambda t: t.f1_of("alone")),
    Wanted("onset, median, ms", "phone", (0.8, 1, 1.5, 0.8), lambda t: t.onset_ms()[0], at_least=False, form="{:.2f}"),
    Wanted("onset, 95 % within, ms", "phone", (2.5, 3.5, 7, 2.5), lambda t: t.onset_ms()[1], at_least=False, form="{:.1f}"),
    Wanted("wrong notes found of all, %", "phone", (95, 85, 75, None), _share("wrong found", "wrong"), form="{:.1f}"),
    Wanted("missed notes found of all, %", "phone", (95, 85, 70, None), _share("missed found", "missed"), form="{:.1f}"),
    Wanted("accused per 100", "phone", (0.2, 0.5, 1, None), _share("accused", "notes"), at_least=False, form="{:.2f}"),
    Wanted("answered, %", "phone", (97, 92, 85, None), _share("answered", "notes"), form="{:.1f}"),
    Wanted("hands whose gaps are within 1.5 ms or 5 %, %", "phone", (100, 100, 100, 100), lambda t: None if not t.ioi_ms else 100 * t.ioi_within() / len(t.ioi_ms), form="{:.0f}"),
    Wanted("F1 of strikes, among the answered", "poor", (0.99, 0.96, 0.95, 0.95), lambda t: t.f1_of("answered")),
    Wanted("answered, %", "poor", (85, 75, 60, None), _share("answered", "notes"), form="{:.1f}"),
)  # fmt: skip


def targets_table(tallies: Mapping[Key, Tally]) -> list[str]:
    """Reached, wanted in brackets, and whether it was met, over the pianos that the net never learnt from."""
    unseen = unseen_of(tallies)
    lines = ["| unseen pianos, reached (wanted) | " + " | ".join(TARGETED) + " |", "|" + "---|" * (1 + len(TARGETED))]
    for row in WANTED:
        cells = []
        for family, wanted in zip(TARGETED, row.wanted, strict=True):
            value = row.reached(unseen[family, row.sound]) if (family, row.sound) in unseen else None
            if value is None:
                cells.append("–")
                continue
            told = row.form.format(value)
            if wanted is None:
                cells.append(f"{told} (nothing set)")
                continue
            met = value >= wanted if row.at_least else value <= wanted
            cells.append(f"{told} ({wanted:g}) {'yes' if met else 'NO'}")
        lines.append(f"| {row.what}, `{row.sound}` | " + " | ".join(cells) + " |")
    return [*lines, "", *_totals(unseen)]


def _totals(unseen: Mapping[tuple[str, str], Tally]) -> Iterable[str]:
    for sound in ("phone", "poor"):
        if ("(all)", sound) in unseen:
            c = unseen["(all)", sound].counts
            yield (
                f"`{sound}`, unseen pianos: {c['takes']} takes; {c['restarts found']} of {c['restarts']} goings-back found (wanted: 95 %, of"
                f" at least 100), {c['restarts invented']} invented (wanted: none); {c['wrong'] + c['missed']} wrong or missed notes (wanted: at"
                f" least 500), {c['wrong found'] + c['missed found']} of them found."
            )


def _three(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"
