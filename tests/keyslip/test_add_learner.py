"""A further account, from the console."""

import io
import sys

import pytest
from django.core.management import CommandError, call_command

from curriculum.models import Learner
from keyslip.management.commands import add_learner
from tests.make import make_learner

pytestmark = pytest.mark.django_db


@pytest.fixture
def typed(monkeypatch):
    def write(text: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(text))

    return write


def test_account_is_made_with_its_skills_and_without_rights(typed):
    make_learner("ada")
    typed("a long passphrase\n")
    call_command("add_learner", "ida", "--time-zone", "Europe/Lisbon")
    ida = Learner.objects.get(username="ida")
    assert ida.check_password("a long passphrase")
    assert (ida.is_superuser, ida.is_staff, ida.time_zone, ida.set_up_on) == (False, False, "Europe/Lisbon", None)
    assert ida.skills.count() > 100


def test_password_is_asked_for_twice_on_a_terminal(monkeypatch):
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    said = iter(["a long passphrase", "a long passfrase"])
    monkeypatch.setattr(add_learner.getpass, "getpass", lambda prompt: next(said))
    with pytest.raises(CommandError, match="The two passwords differ"):
        call_command("add_learner", "ida")
    assert not Learner.objects.exists()


@pytest.mark.parametrize(
    ("name", "password", "zone", "words"),
    [
        ("ada", "a long passphrase", "UTC", "The name “ada” is taken"),
        ("sample", "a long passphrase", "UTC", "sample learner"),
        ("two words", "a long passphrase", "UTC", "no spaces"),
        ("", "a long passphrase", "UTC", "Write a name"),
        ("ida", "12345678", "UTC", "Digits alone"),
        ("ida", "", "UTC", "Write a password"),
        ("ida", "a long passphrase", "Atlantis", "Atlantis"),
    ],
)
def test_what_cannot_be_an_account_is_refused_plainly(typed, name, password, zone, words):
    make_learner("ada")
    typed(f"{password}\n")
    with pytest.raises(CommandError, match=words) as caught:
        call_command("add_learner", name, "--time-zone", zone)
    assert caught.value.returncode == 2
    assert Learner.objects.count() == 1
