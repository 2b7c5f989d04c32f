"""What to set this week: which lines, in which order, with how many minutes a day, and what they will be judged by.

Pure Python that knows nothing of books or tables: candidates come in with their reasons, lines go out. Minutes are minutes
a day; dates are the learner's local dates; the same candidates always give the same sheet, whatever their order.

**What comes on.** At most five lines. First a unit, in work before new; then one correction, one check, one piece and one
older piece; then a second unit, a second check, a second correction, as far as there is room. One new unit is begun at a
time, two where last week's verdicts moved on and nothing else is in work, and a second unit needs three days of practice.
Checks that would prove a claim come before others, the one that lapses soonest first. A short day has fewer lines: none gets
less than three minutes, and the first unit keeps two fifths of the day if it wants them.

**In which order.** Corrections, units in work, checks, new units, the piece, the older piece.

**Minutes.** Every line starts with that; each further minute goes to the line that has the smallest part of what it
wants. When all have what they want, units and pieces may grow to 25 minutes, and the rest of the day stays free.

**Judged by.** One to three dimensions that fit the skills exercised, the weakest last mark first.

A worked example. Fifteen minutes a day have room for four lines. The unit keeps six minutes, two fifths of the day; of the
nine that remain three lines get three each:

>>> from lessons.planning.week import Candidate, compose_week
>>> wanted = [
...     Candidate("unit 14", "unit", "Unit 14", 10, "The next open unit."),
...     Candidate("thumb", "correction", "A lighter thumb", 5, "You marked even tone comes and goes."),
...     Candidate("first look", "check", "Reading at first look", 5, "Due a check: last right on 24 October."),
...     Candidate("ferry", "piece", "A piece of yours", 10, "You began it last week.", is_in_work=True),
...     Candidate("pony", "older", "An older piece", 5, "One older piece stays in the fingers."),
... ]
>>> [(line.key, line.minutes) for line in compose_week(wanted, minutes_per_day=15, days=4)]
[('thumb', 3), ('first look', 3), ('unit 14', 6), ('ferry', 3)]
"""
