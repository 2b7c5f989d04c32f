"""One field template: label, hint and error belong to their input, for the eye and for the ear."""

import re

from django import forms


class Week(forms.Form):
    minutes = forms.IntegerField(label="Minutes", help_text="Between 5 and 120", max_value=120)
    days = forms.MultipleChoiceField(
        label="Days", choices=[("0", "Monday"), ("1", "Tuesday")], widget=forms.CheckboxSelectMultiple, help_text="Any"
    )
    first = forms.BooleanField(label="First time today")
    token = forms.CharField(widget=forms.HiddenInput)

    def clean(self):
        raise forms.ValidationError("These minutes do not fit.")


def ids_described(html: str) -> set[str]:
    return {one for value in re.findall(r'aria-describedby="([^"]*)"', html) for one in value.split()}


def test_hints_and_errors_are_tied_to_their_inputs():
    html = str(Week({"minutes": "300", "days": [], "first": "", "token": ""}))
    described = ids_described(html)
    assert {
        "id_minutes_helptext",
        "id_minutes_error",
        "id_days_helptext",
        "id_days_error",
        "id_first_error",
    } <= described
    for one in described:
        assert html.count(f'id="{one}"') == 1
    assert 'aria-invalid="true"' in html


def test_a_label_names_its_input():
    html = str(Week())
    assert '<label for="id_minutes">Minutes</label>' in html
    assert "<legend>Days</legend>" in html
    assert re.search(
        r'<label class="choice" for="id_days_0"><input[^>]*id="id_days_0"[^>]*><span>Monday</span></label>', html
    )
    assert "First time today" in html


def test_what_is_wrong_with_the_whole_form_and_with_hidden_fields_is_said_once():
    html = str(Week({"minutes": "30", "days": ["0"], "first": "on", "token": ""}))
    assert html.count("These minutes do not fit.") == 1
    assert html.count('type="hidden"') == 1


def test_an_unbound_form_shows_no_error():
    html = str(Week())
    assert 'class="error"' not in html
    assert "field-bad" not in html


def test_words_of_the_learner_are_escaped():
    html = str(Week({"minutes": '"><script>x</script>', "days": [], "first": "", "token": ""}))
    assert "<script>" not in html


def test_a_hint_is_text_and_never_markup():
    class Shown(forms.Form):
        title = forms.CharField(help_text="<b>bold</b>")

    assert "<b>" not in str(Shown())
