"""Narrative, units, answers to a questionnaire: small languages of their own."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.build import Resource
from service.fhir.check_in import QUESTIONNAIRE
from service.fhir.conformance.judge import issues_of
from service.fhir.conformance.narrative import faults_of
from service.fhir.conformance.ucum import is_unit

OPEN = '<div xmlns="http://www.w3.org/1999/xhtml">'


@pytest.mark.parametrize(
    "inside",
    [
        "x",
        "<p class='a' style='b' title='c'>x</p>",
        '<table border="1"><tr><td colspan="2">x</td></tr></table>',
        '<a href="https://a.example">x</a>',
        '<img src="data:image/png;base64,AAAA" alt="y"/>',
        "a &lt; b &#160;",
        "<!-- a --><br/>x",
        "\xa0",
    ],
)
def test_a_narrative_that_may_stand(inside: str) -> None:
    """https://hl7.org/fhir/R4/narrative.html#xhtml; the verdicts are those of the reference validator."""
    assert faults_of(f"{OPEN}{inside}</div>") == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f"{OPEN}</div>", "holds no words"),
        (f"{OPEN} \n\t</div>", "holds no words"),
        (f"{OPEN}<!-- x --></div>", "holds no words"),
        (f"{OPEN}<script>x</script></div>", "may not hold <script>"),
        (f"{OPEN}<form>x</form></div>", "may not hold <form>"),
        (f"{OPEN}<iframe>x</iframe></div>", "may not hold <iframe>"),
        (f"{OPEN}<P>x</P></div>", "may not hold <P>"),
        (f"{OPEN}<p onclick='x'>x</p></div>", "<p> may not have «onclick»"),
        (f"{OPEN}<p data-x='1'>x</p></div>", "<p> may not have «data-x»"),
        (f"{OPEN}<a href=' JavaScript:x'>x</a></div>", "may not hold scripts"),
        ("<div>x</div>", "must name the namespace"),
        ("<span xmlns='http://www.w3.org/1999/xhtml'>x</span>", "must be one <div>"),
        (f"{OPEN}<p>x</div>", "not well-formed"),
        (f"{OPEN}&nbsp;</div>", "not well-formed"),
        ("hello", "not well-formed"),
        (f"<!DOCTYPE d [<!ENTITY a 'b'>]>{OPEN}&a;</div>", "not well-formed"),
        (f"<!DOCTYPE d SYSTEM 'https://a.example/x.dtd'>{OPEN}x</div>", "not well-formed"),
        (f"{OPEN}{'<b>' * 200}x{'</b>' * 200}</div>", "not well-formed"),
        (5, "Text is needed"),
    ],
)
def test_a_narrative_that_may_not_stand(text: Any, words: str) -> None:
    assert any(words in fault for fault in faults_of(text))


@given(st.text(max_size=60))
def test_any_text_has_a_verdict(text: str) -> None:
    assert all(fault.endswith(".") for fault in faults_of(f"{OPEN}{text}</div>"))


UNITS = [
    "m",
    "mm",
    "mm[Hg]",
    "[degF]",
    "Cel",
    "/min",
    "10*9/L",
    "kg/m2",
    "m.s-2",
    "{score}",
    "1",
    "%",
    "{events}/h",
    "cm3",
    "ug",
    "h",
    "min",
    "1/min",
    "mL/(kg.h)",
    "dB",
    "KiB",
    "[pH]",
    "[arb'U]",
    "mol/L",
    "meq",
    "a",
    "mo",
    "wk",
    "2.2",
    "2.m",
    "m/2",
    "m/{a}",
    "10*-3",
    "10^3",
    "(m/s)/s",
    "nkat",
    "k[IU]/mL",
    "[ppm]",
    "cm[H2O]",
    "g%",
    "%{a}",
]
NO_UNITS = ["", "bogus", "mcg", "hour", "events/h", "kkg", "kmin", "(m", "m2.", "m m", "m^2", "μm", "°", ".m", "()", "{ä}", "[bogus]", "2m", "m+", "k%", "{a b", "mm ", "/"]  # fmt: skip


@pytest.mark.parametrize("code", UNITS)
def test_a_unit_of_ucum(code: str) -> None:
    """The verdicts are those of the reference validator."""
    assert is_unit(code)


@pytest.mark.parametrize("code", NO_UNITS)
def test_what_is_no_unit_of_ucum(code: str) -> None:
    assert not is_unit(code)


@given(st.text(alphabet="mgk[]{}()./0123*+-^% a", max_size=12))
def test_any_code_is_a_unit_or_not(code: str) -> None:
    assert isinstance(is_unit(code), bool)


def item(link: str, **more: Any) -> Resource:
    return {"linkId": link, "answer": [{"valueDecimal": 2}], **more}


def response(*items: Resource) -> Resource:
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": QUESTIONNAIRE,
        "status": "completed",
        "subject": {"reference": "Patient/1"},
        "authored": "2026-10-20",
        "item": list(items),
    }


def test_answers_as_the_questionnaire_asks() -> None:
    text = "Snoring, from 0 (none) to 10 (loudest)"
    assert issues_of(response(item("snoring", text=text), item("restedness"))) == []


@pytest.mark.parametrize(
    ("items", "place", "words"),
    [
        ([item("restedness"), item("snoring")], "item[1]", "in the order of the questions"),
        ([item("snoring", text="Loud?")], "item[0].text", "The words of the question are «Snoring"),
        ([item("zzz")], "item[0].linkId", "has no question «zzz»"),
        ([item("snoring", answer=[{"valueInteger": 2}])], "item[0].answer[0].value", "must be given as «valueDecimal»"),
        ([item("snoring", answer=[{"valueDecimal": 1}, {"valueDecimal": 2}])], "item[0].answer[1]", "only one answer"),
        ([item("snoring", answer=[{"valueDecimal": 1, "item": [item("restedness")]}])], "item[0].answer[0].item", "No question stands below"),
        ([{"linkId": "snoring", "item": [item("restedness")]}], "item[0].item", "No question stands below"),
    ],
)  # fmt: skip
def test_answers_to_other_questions(items: list[Resource], place: str, words: str) -> None:
    found = [(i.expression, i.message) for i in issues_of(response(*items))]
    assert [
        message for expression, message in found if expression == f"QuestionnaireResponse.{place}" and words in message
    ]
