from pathlib import Path

import pytest

from keyslip.env import Env, EnvError


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", True), ("Yes", True), ("on", True), ("TRUE", True), ("0", False), ("off", False), ("No", False)],
)
def test_boolean_is_read_in_its_usual_spellings(text, value):
    assert Env({"LIGHT": text}).boolean("LIGHT", default=not value) is value


def test_unset_or_empty_boolean_is_its_default():
    assert Env({}).boolean("LIGHT", default=True) is True
    assert Env({"LIGHT": "  "}).boolean("LIGHT", default=True) is True


@pytest.mark.parametrize("text", ["maybe", "2", "ja", "truee"])
def test_unknown_spelling_of_a_boolean_stops_with_the_name(text):
    with pytest.raises(EnvError, match="LIGHT"):
        Env({"LIGHT": text}).boolean("LIGHT")


@pytest.mark.parametrize("text", ["", "8000"])
def test_integer_is_read_or_its_default(text):
    assert Env({"PORT": text}).integer("PORT", default=8000, least=1, most=65535) == 8000


@pytest.mark.parametrize("text", ["0", "65536", "-1", "8e3", "1_000", "٣"])
def test_integer_out_of_range_or_not_plain_stops_with_the_name(text):
    with pytest.raises(EnvError, match="PORT"):
        Env({"PORT": text}).integer("PORT", default=8000, least=1, most=65535)


def test_words_are_split_at_commas_without_empty_ones():
    assert Env({"HOSTS": " a, ,b,"}).words("HOSTS") == ["a", "b"]


def test_path_is_absolute_and_knows_home(monkeypatch):
    monkeypatch.setenv("HOME", "/home/somebody")
    assert Env({"FOLDER": "~/x"}).path("FOLDER", default=Path()) == Path("/home/somebody/x")
    assert Env({"FOLDER": "x"}).path("FOLDER", default=Path()).is_absolute()


def test_secret_comes_from_the_variable_or_from_a_file(tmp_path):
    file = tmp_path / "secret"
    file.write_text("from a file\n")
    assert Env({"KEY": "direct"}).secret("KEY") == "direct"
    assert Env({"KEY_FILE": str(file)}).secret("KEY") == "from a file"
    assert Env({}).secret("KEY", default="none") == "none"


def test_unreadable_or_empty_secret_file_stops_with_the_name(tmp_path):
    with pytest.raises(EnvError, match="KEY_FILE"):
        Env({"KEY_FILE": str(tmp_path / "missing")}).secret("KEY")
    (tmp_path / "empty").touch()
    with pytest.raises(EnvError, match="KEY_FILE"):
        Env({"KEY_FILE": str(tmp_path / "empty")}).secret("KEY")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(EnvError, match="KEY_FILE"):
        Env({"KEY_FILE": str(tmp_path / "binary")}).secret("KEY")


def test_secret_given_twice_is_refused(tmp_path):
    with pytest.raises(EnvError, match="both set"):
        Env({"KEY": "a", "KEY_FILE": str(tmp_path)}).secret("KEY")
