"""One door for files: bytes tell what they are, names tell nothing."""

import io
import zipfile

import pytest

from curriculum.score import ScoreFileError, ScoreTooLargeError, read_score, read_two_hands, write_musicxml
from curriculum.score.guard import ScoreLimits
from tests.curriculum.score import midi_files as smf

TYPED = read_two_hands("CDEF|G4|]", "C,4|C,4|]", title="Five notes")


def packed(content, *, name="score.musicxml"):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    return held.getvalue()


@pytest.mark.parametrize(
    ("content", "source"),
    [
        (write_musicxml(TYPED), "musicxml"),
        (packed(write_musicxml(TYPED)), "musicxml"),
        (b"\xef\xbb\xbf" + write_musicxml(TYPED), "musicxml"),
        (smf.from_score(TYPED), "midi"),
        (packed(smf.from_score(TYPED), name="score.mid"), "midi"),
        (b"X:1\nM:C\nL:1/4\nK:C\nV:RH\nCDEF|G4|]\nV:LH\nC,4|C,4|]\n", "abc"),
        ("\ufeffX:1\r\nT:Été\r\nM:C\r\nL:1/4\r\nK:C\r\nV:RH\r\nCDEF|G4|]\r\nV:LH\r\nC,4|C,4|]\r\n".encode(), "abc"),
        ("X:1\nM:C\nL:1/4\nK:C\nV:RH\nCDEF|G4|]\nV:LH\nC,4|C,4|]\n".encode("utf-16"), "abc"),
    ],
)
def test_same_notes_are_read_from_every_kind_of_file(tmp_path, content, source):
    path = tmp_path / "misleading.pdf"
    path.write_bytes(content)
    for score in (read_score(content), read_score(path)):
        assert score.source == source
        assert {
            (note.bar, note.offset_beat, note.duration_beat, note.pitch_midi, note.hand) for note in score.notes
        } == {(note.bar, note.offset_beat, note.duration_beat, note.pitch_midi, note.hand) for note in TYPED.notes}


def test_name_is_a_title_only_where_there_is_none():
    assert read_score(write_musicxml(TYPED), name="my file").title == "Five notes"
    assert read_score(b"X:1\nK:C\nC|\n", name=" my   file ").title == "my file"


def test_no_more_is_read_from_a_path_than_is_accepted(tmp_path):
    path = tmp_path / "large"
    path.write_bytes(write_musicxml(TYPED) + b" " * 10_000)
    with pytest.raises(ScoreTooLargeError):
        read_score(path, limits=ScoreLimits(most_bytes=5_000))


def test_what_is_no_score_is_refused_and_a_missing_file_is_not_hidden(tmp_path):
    with pytest.raises(ScoreFileError, match="no score that can be read"):
        read_score(b"%PDF-1.7 something else")
    with pytest.raises(FileNotFoundError):
        read_score(tmp_path / "nowhere")
