"""What a score asks of whoever plays it, and what its signs mean.

The question answered: *which skills does this piece need, in which bars, and how sure is that?* `finding.demands_of` looks
for the things listed in `content/demands.csv`; `signs.explain` and `signs.signs_of` tell what stands on the page. Everything here is plain Python
without Django. Nothing is added up: there is no total and no grade.

Conventions
-----------
* **As printed.** A repeated bar counts once, a tied note is one key. Bars are printed numbers.
* **A demand** names its detector, the skill that covers it (none is beyond what skills name, and holds a piece), its bars, a
  few words, and how sure it is. What is less sure than 0.7 is a question to the learner; so is whatever rests on hands that
  a reader called doubtful, and on a tempo that the score does not name.
* **The hand is taken as written.** A staff is not always a hand: stretches of more than 16 semitones are questions.
* **Absent does not mean unused.** A score without pedal marks may be played with pedal; nothing is said then.
* Expressive playing is not looked at here: touch, voicing and freedom of tempo do not stand in a score.

How the doubtful ones are found
-------------------------------
*Change of place*: the hand is followed with a window of five letters; where a note does not fit into it, the hand has moved,
and a new window begins there. It counts movement, not fingering. *Syncopation*: a note begins between beats and sounds across
a beat on which its hand begins nothing; a held inner voice looks the same. *Rocking bass*: four even notes of the left hand,
low, high, middle, and the high one again. *Leap*: more than an octave between the nearest notes of two strokes, unless two
beats of rest lie between. *Textures*, bar by bar: same onsets and same direction is parallel, same onsets and opposite
direction contrary; at most two held notes under at least twice as many is "tune with held notes"; hands that each begin notes
where the other does not are independent.

A worked example, a scale of two octaves:

>>> from curriculum.score.demands.finding import demands_of
>>> from curriculum.score.patterns.spec import Pattern
>>> from curriculum.score.patterns.writing import make_pattern
>>> demands = demands_of(make_pattern(Pattern(kind="scale", key="G", hands="both", octaves=2)))
>>> [demand.skill for demand in demands if demand.detector.startswith("scale")]
['thumb-under', 'scale-together']
>>> [(demand.bars[0], demand.bars[-1]) for demand in demands if demand.detector == "hands_parallel"]
[('1', '7')]
"""
