"""The exercises that every book uses, made from a few choices instead of being typed.

The question answered: *which notes, with which fingers, are "G harmonic minor, two octaves, both hands, in eighths"?* A
`spec.Pattern` holds the choices and refuses those that do not fit together; `writing.make_pattern` gives the written score;
`wording.pattern_in_words` says it in one line. Everything here is plain Python without Django.

Conventions
-----------
* **Spelling** follows the key: a scale takes one letter after another, whatever signs that needs. Melodic minor falls in its
  natural form. A chromatic scale has no signature, sharps going up and flats coming down.
* **Octaves**: 4 begins at middle C. The left hand plays an octave below the right unless asked otherwise.
* **Contrary motion** is a mirror: both hands begin together, go apart and use the same fingers.
* **Chords of minor keys** take the raised seventh degree, except in the natural form.
* **Fingers** are those of common practice and have no source. They are worked out by rule (thumbs on white keys), so that
  keys and modes without a printed fingering have one as well.
* **Time**: each note is as long as the chosen value; the last one is held to the end of its bar. Each time through begins a
  new bar. Both hands always move together.

A worked example:

>>> from curriculum.score.patterns.spec import Pattern
>>> from curriculum.score.patterns.wording import pattern_in_words
>>> from curriculum.score.patterns.writing import make_pattern
>>> pattern = Pattern(kind="scale", key="G", hands="both", octaves=2, value="1/2")
>>> score = make_pattern(pattern)
>>> score.title, len(score.bars), len(score.notes)
('G major scale, two octaves, both hands', 4, 58)
>>> pattern_in_words(pattern)
'G major scale, two octaves, both hands, in eighths'
>>> Pattern.from_data(pattern.to_data()) == pattern
True
"""
