"""Who the pages of this app are asked by."""

from datetime import date

import pytest
from django.test import Client

from curriculum import services
from curriculum.models import Book, Learner, Skill
from curriculum.outline import UnitOutline
from tests.make import make_learner

TITLES = ["The lie of the keys", "Five keys under the hand", "A walk in step", "Joined up", "Under goes the thumb"]
TEACHES = [("key-names", "finger-numbers"), ("five-finger-place",), ("steady-pulse",), ("legato",), ("thumb-under",)]


@pytest.fixture
def learner(db: None) -> Learner:
    """A learner with the shipped skills."""
    made = make_learner("ada", set_up_on=date(2026, 1, 5))
    services.seed_skills(made)
    return made


@pytest.fixture
def book(learner: Learner) -> Book:
    """A short book in one chapter; every unit says what is new in it."""
    units = [
        UnitOutline(position=number, title=title, chapter="Part one", page=str(2 * number), teaches=teaches)
        for number, (title, teaches) in enumerate(zip(TITLES, TEACHES, strict=True), start=1)
    ]
    return services.add_book(learner, title="Evening Piano", units=units)


@pytest.fixture
def ada(client: Client, learner: Learner) -> Client:
    """The learner's browser, signed in."""
    client.force_login(learner)
    return client


@pytest.fixture
def stranger(db: None) -> Client:
    """Somebody else's browser, signed in."""
    other = Client()
    other.force_login(make_learner("mallory"))
    return other


@pytest.fixture
def legato(learner: Learner) -> Skill:
    return Skill.objects.get(learner=learner, slug="legato")
