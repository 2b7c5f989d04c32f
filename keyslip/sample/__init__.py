"""A second learner to look at: an invented adult, an invented book, eight weeks that never happened.

Everything here is made up for showing the pages: the book, the pieces, the marks and the three clips, whose sound is
synthesised. Nothing of it is a check value for anything.
"""

NAME = "sample"
WEEKS = 8
