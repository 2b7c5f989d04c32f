"""The rubric: nine dimensions of playing, four levels each, read once from content/rubric.yaml."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import yaml

RUBRIC_FILE = Path(__file__).parent / "content" / "rubric.yaml"

# A dimension whose channels are all of sight is looked at with the sound off; the others are heard with the picture covered.
SIGHT_CHANNELS = frozenset({"video-side", "video-top", "video-front"})


@dataclass(frozen=True, slots=True)
class Dimension:
    """One thing to judge. `levels` holds four sentences, worst first; `channels` what a clip must show or carry."""

    id: str
    name: str
    question: str
    levels: tuple[str, str, str, str]
    channels: tuple[str, ...]
    caution: str

    @property
    def good(self) -> str:
        """What good looks and sounds like: the sentence of the highest level."""
        return self.levels[3]

    @property
    def is_for_the_eye(self) -> bool:
        return set(self.channels) <= SIGHT_CHANNELS

    @property
    def camera_views(self) -> tuple[str, ...]:
        """The camera views that show this dimension: side, top, front; empty where sound is enough."""
        return tuple(channel.removeprefix("video-") for channel in self.channels if channel in SIGHT_CHANNELS)


@dataclass(frozen=True, slots=True)
class Rubric:
    """`level_names` are the four names, worst first; `dimensions` by id, in the order in which they are judged."""

    level_names: tuple[str, str, str, str]
    dimensions: dict[str, Dimension]


@cache
def rubric() -> Rubric:
    """Return the shipped rubric, picture dimensions first."""
    content = yaml.safe_load(RUBRIC_FILE.read_text(encoding="utf-8"))
    names = content["about"]["level_names"]
    dimensions = [
        Dimension(
            id=row["id"],
            name=row["name"],
            question=row["question"],
            levels=(
                row["levels"][1],
                row["levels"][2],
                row["levels"][3],
                row["levels"][4],
            ),
            channels=tuple(row["needs"]),
            caution=row["caution"],
        )
        for row in content["dimensions"]
    ]
    dimensions.sort(key=lambda dimension: not dimension.is_for_the_eye)
    return Rubric(
        level_names=(names[1], names[2], names[3], names[4]),
        dimensions={dimension.id: dimension for dimension in dimensions},
    )


def dimension_choices() -> list[tuple[str, str]]:
    """Return (id, name) pairs for forms and for model choices."""
    return [(dimension.id, dimension.name) for dimension in rubric().dimensions.values()]


def in_judging_order(ids: list[str]) -> list[str]:
    """Return the known ids among `ids`, picture before sound."""
    return [dimension_id for dimension_id in rubric().dimensions if dimension_id in ids]
