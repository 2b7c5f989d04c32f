"""What follows from evidence and prerequisites: the standing of a skill, the two gates, and why a piece is held.

Pure Python: ids are text, days are the learner's local dates, today comes in as an argument, and the same input always
gives the same answer whatever its order. `prerequisites` answers what lies below what, `standing` where a skill stands,
`gates` what is open. The numbers below are the defaults of `standing.StandingRules`.

Standing
--------
**Only first tries count, one result a day.** All first tries of a skill on one day make one day result: right if every
one of them was right. Later tries of the day never pass or fail anything; a right one is remembered as "played right
once", which is enough for a unit gate.

**Ticked** is a skill with at least 3 right among the last 5 days played, the first and the last of the right ones at
least 7 days apart. Right days in a row that reach back beyond those five count for the span: somebody who plays on five
days a week and is always right has never seven days inside five results, and would otherwise never be ticked.

**A check falls due** 30, then 60, 120, 240, 240 ... days after the last passed check; the day of the tick is the first.
Any day result is a check. Right while due: the wait gets longer by one step. Right before it is due: the wait begins anew
from that day and stays as long as it was, so daily practice does not race up the steps; a result from a *check*
assignment goes one step up even then, but not twice within 7 days: tapped on the sheet and played in the film, it is
one check. Not right while due, or in a *check*: the check has failed, and the skill is in work.

**Not right while ticked, not due, and no check:** the tick stays unless fewer than 3 of the last 5 days are right. Days
before a tick by claim or by hand are taken for right ones here.

**A lost tick comes back** with right results on two days, none that is not right between; then the first check is due
after 30 days again.

**Claimed** is a skill that the learner says they can do. The first day result on or after the claim decides: right, and
it is ticked from that day; not right, and it is in work. Unproved, the claim stands for 30 days and lapses on the
thirtieth. A later claim begins a wait of its own; a claim of something ticked changes nothing.

**By hand**, with a reason, a skill is ticked that day, and shows as ticked by hand as long as that tick lasts; or it is
sent back to in work. Sent back before it ever was ticked, it begins afresh; sent back after, two right days bring it back.

**Within a day** a claim comes first, then what was played, then what was set by hand. Where two things of one kind differ,
the worse one holds. Evidence dated after today does not exist yet.

A worked example. Right on 1, 8 and 14 March ticks the skill; it is due a check on 13 April. A first try that is not right
on 20 March leaves the tick (3 of 4 days are right). One that is not right on 15 April comes while the check is due and
takes it. Right on 17 and 18 April brings it back:

>>> from datetime import date
>>> from curriculum.graph.standing import EvidenceItem, Source, standing_of
>>> tries = [EvidenceItem(date(2025, 3, day), Source.TRY, passed=day != 20) for day in (1, 8, 14, 20)]
>>> standing_of(tries, today=date(2025, 4, 12)).sentence
'Ticked on 14 March: right on 1, 8 and 14 March.'
>>> standing_of(tries, today=date(2025, 4, 13)).sentence
'Due a check since 13 April: last right on 14 March.'
>>> tries.append(EvidenceItem(date(2025, 4, 15), Source.REVIEW, passed=False))
>>> standing_of(tries, today=date(2025, 4, 16)).sentence
'In work: not right when checked on 15 April; 2 right days in a row bring it back.'
>>> tries += [EvidenceItem(date(2025, 4, day), Source.TRY, passed=True) for day in (17, 18)]
>>> standing_of(tries, today=date(2025, 4, 18)).sentence
'Ticked again on 18 April: right on 17 and 18 April.'

Gates
-----
**Known** is what is ticked, claimed or due a check, and everything below that. Skills that are watched or not for the
learner hold nothing either, but nothing becomes known through them.

**Units follow the book.** A unit opens when the units it comes after are done and each skill it needs is known, or in work
and played right at least once. It needs what the learner named, and the direct prerequisites of what it teaches, less what
it teaches itself. A derived need that no unit teaches, or only this unit and later ones, holds nothing: a book may take
things for granted, and the learner must never be stuck. It is named instead.

**Pieces wait for skills.** A piece opens when everything in the closure of what it names is known. What is missing is
listed in learnable order, each with the chain of skills that need it and the nearest unit that teaches it: first one that
is not done, with the fewest units still to do before it. A skill that no unit teaches is a gap. Demands beyond any skill
hold it too, and a piece that names nothing has not been looked at and is never open.

A worked example. *place* is in work and was right once: that opens unit 2, but not the piece, which wants *place* ticked:

>>> from curriculum.graph.gates import SkillFacts, UnitFacts, piece_gate, unit_gate
>>> from curriculum.graph.standing import Standing
>>> skills = {
...     "place": SkillFacts("place", standing=Standing.IN_WORK, has_pass=True),
...     "legato": SkillFacts("legato", needs=frozenset({"place"})),
... }
>>> units = {
...     "one": UnitFacts("one", "book", 1, teaches=frozenset({"place"}), is_done=True),
...     "two": UnitFacts("two", "book", 2, teaches=frozenset({"legato"}), after=frozenset({"one"})),
... }
>>> unit_gate("two", units=units, skills=skills).is_open
True
>>> [(blocker.skill, blocker.needed_by, blocker.unit) for blocker in piece_gate({"legato"}, skills=skills, units=units).blockers]
[('place', ('legato',), 'one'), ('legato', (), 'two')]
"""
