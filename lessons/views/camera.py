"""Where the phone stands for each line, told from what will be judged."""

from collections.abc import Sequence
from dataclasses import dataclass

from curriculum.rubric import rubric

# One sentence on placing the phone for each view. Distances are common practice, without a source.
PLACING = {
    "side": "From the side, level with the keys, a step and a half away: hand, wrist, elbow and back in the picture.",
    "top": "From above and a little in front, so that both hands and every key you use are in the picture.",
    "front": "From the front, across the piano, so that both shoulders and both hands are in the picture.",
    "sound": "Sound is enough. The phone stands a step away on something soft, its microphone towards the strings.",
}
# The same for a line whose view was described above it in the running order.
PLACING_AGAIN = {
    "side": "From the side, as above.",
    "top": "From above, as before.",
    "front": "From the front, as above.",
    "sound": "Sound is enough.",
}


@dataclass(frozen=True, slots=True)
class CameraView:
    """The view that one line needs: side, top, front or sound, and how to place the phone."""

    view: str
    words: str

    @property
    def words_again(self) -> str:
        """The same in a few words, for a reader who has read `words` already."""
        return PLACING_AGAIN[self.view]


def camera_view(dimensions: Sequence[str]) -> CameraView:
    """Return the one view that shows the most of what is judged; sound where nothing is for the eye."""
    wanted: dict[str, int] = {}
    for name in dimensions:
        dimension = rubric().dimensions.get(name)
        for place, view in enumerate(dimension.camera_views if dimension else ()):
            # The first view named for a dimension is its best one.
            wanted[view] = wanted.get(view, 0) + (2 if place == 0 else 1)
    view = max(wanted, key=lambda name: wanted[name], default="sound")
    return CameraView(view=view, words=PLACING[view])
