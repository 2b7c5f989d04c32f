"""MusicXML in and out."""

from curriculum.score.musicxml.reader import name_bars, read_musicxml
from curriculum.score.musicxml.writer import write_musicxml

__all__ = ["name_bars", "read_musicxml", "write_musicxml"]
