"""Skills suggested from words."""

import csv
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.outline import SkillWords, WordList, WordListError, read_words, shipped_words, suggest_skills

ROOT = Path(__file__).resolve().parents[3]
PHRASES = ROOT / "tests" / "data" / "outline"


@pytest.fixture(scope="module")
def skills():
    rows = yaml.safe_load((ROOT / "curriculum" / "content" / "skills.yaml").read_text(encoding="utf-8"))["skills"]
    return tuple(
        SkillWords(row["id"], row["name"], row["group"], row["definition"], tuple(row["see_or_hear"])) for row in rows
    )


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("phrases_tuning", 60),
        ("phrases_held_out", 60),
        ("phrases_fresh", 60),
        ("phrases_blind", 60),
        ("phrases_blind_second", 60),
        ("phrases_blind_third", 40),
    ],
)
def test_right_skill_is_among_three_for_four_phrases_in_five(name, least, skills):
    with (PHRASES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    known = {skill.slug for skill in skills}
    assert len(rows) >= least
    found = 0
    for row in rows:
        expected = set(row["expected"].split(";"))
        assert expected <= known
        found += bool(expected & set(suggest_skills(row["phrase"], skills=skills)))
    assert found >= 0.8 * len(rows)


def test_every_skill_has_phrases_and_every_phrase_has_a_skill(skills):
    slugs = [slug for slug, _, _ in shipped_words().phrases]
    assert set(slugs) == {skill.slug for skill in skills}
    assert min(slugs.count(slug) for slug in set(slugs)) >= 8


def test_every_skill_is_suggested_by_its_own_name(skills):
    missed = [skill.slug for skill in skills if skill.slug not in suggest_skills(skill.name, skills=skills)]
    assert missed == []


@pytest.mark.parametrize(
    ("british", "american"),
    [
        ("crotchets and minims", "quarter notes and half notes"),
        ("quavers", "eighth notes"),
        ("three beats in a bar", "three beats in a measure"),
        ("notes on the stave", "notes on the staff"),
        ("semitones and tones", "half steps and whole steps"),
        ("dotted crotchet", "dotted quarter note"),
    ],
)
def test_british_and_american_words_mean_the_same(british, american, skills):
    assert suggest_skills(british, skills=skills)[0] == suggest_skills(american, skills=skills)[0]


@pytest.mark.parametrize(
    ("typed", "slug"),
    [
        ("stacatto", "staccato"),
        ("arpegios", "arpeggio-one-hand"),
        ("syncopatoin", "syncopation"),
        ("cresendo", "swell-fade"),
        ("♫ pairs", "eighth-pairs"),
        ("F♯", "accidentals"),
        ("LEGATO", "legato"),
        ("4ths and 5ths", "interval-reading"),
        ("parallel 6ths", "double-notes"),
        ("1st and 2nd time bars", "score-marks"),
    ],
)
def test_slips_and_signs_are_understood(typed, slug, skills):
    assert slug in suggest_skills(typed, skills=skills)


@pytest.mark.parametrize(
    "phrase",
    ["", "   ", "!?", "spaghetti bolognese", "buy milk and eggs", "page 12", "tax return", "zzzz qqqq", "the of and"],
)
def test_words_that_fit_nothing_suggest_nothing(phrase, skills):
    assert suggest_skills(phrase, skills=skills) == ()


@pytest.mark.parametrize(
    "phrase",
    [
        "hand",
        "keys",
        "see above",
        "bus stop",
        "back to school",
        "finger food",
        "low battery",
        "dinner at six",
        "review",
        "more of the same",
        "book 2",
    ],
)
def test_words_too_vague_to_tell_suggest_nothing(phrase, skills):
    assert suggest_skills(phrase, skills=skills) == ()


def test_own_skill_is_suggested_by_its_name(skills):
    mine = (*skills, SkillWords("own-glissando", "Glissando with the nails"))
    assert suggest_skills("a glissando", skills=mine)[0] == "own-glissando"
    assert suggest_skills("my own sort of glissando", skills=mine)[0] == "own-glissando"


def test_at_most_as_many_as_asked_for(skills):
    assert len(suggest_skills("scale with staccato, legato, pedal and triplets", skills=skills, most=1)) == 1
    assert suggest_skills("scale", skills=skills, most=0) == ()


def test_hidden_skill_is_not_suggested(skills):
    fewer = tuple(skill for skill in skills if skill.slug != "staccato")
    assert "staccato" not in suggest_skills("staccato", skills=fewer)


def test_order_of_the_skills_does_not_matter(skills):
    for phrase in ("thumb under in the C scale", "left hand chords", "6/8"):
        assert suggest_skills(phrase, skills=skills) == suggest_skills(phrase, skills=skills[::-1])


def test_no_skills_suggest_nothing():
    assert suggest_skills("scale", skills=()) == ()


@given(st.text(max_size=80))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_any_text_gives_known_slugs(skills, text):
    found = suggest_skills(text, skills=skills)
    assert len(found) <= 3
    assert len(set(found)) == len(found)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[", "cannot be read"),
        ("- a", "names with lists"),
        ("other: {}", 'unknown part "other"'),
        ("skills: {ties: {loud: [a]}}", '"loud" is none of'),
        ("skills: {ties: {strong: [1]}}", "Put quotation marks"),
        ("same: {a: b}", "a list of texts"),
    ],
)
def test_word_list_of_another_shape_is_refused(text, message, tmp_path):
    path = tmp_path / "words.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WordListError, match=message):
        read_words(path)


def test_empty_word_list_is_fine(tmp_path):
    path = tmp_path / "words.yaml"
    path.write_text("about: nothing\n", encoding="utf-8")
    assert read_words(path) == WordList()
