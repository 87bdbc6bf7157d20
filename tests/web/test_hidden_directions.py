"""Characters that turn text unseen are refused wherever people read what was sent.

https://www.unicode.org/reports/tr9/#Directional_Formatting_Characters
"""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.json_text import write
from tests.web.messages import PATIENT, issues, post, referral

TURNS = [*"\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"]


@pytest.mark.parametrize("turn", TURNS, ids=lambda c: f"U+{ord(c):04X}")
def test_a_plain_name_is_refused_with_its_place(client: TestClient, turn: str) -> None:
    body = referral()
    body["patient"]["family_name"] = f"Ash{turn}down"
    answer = post(client, "/intake/referrals", body)
    assert answer.status_code == 422
    [(code, sentence, where)] = issues(answer)
    assert (code, where) == ("invalid", "patient.family_name")
    assert f"U+{ord(turn):04X}" in sentence and turn not in answer.text


def test_a_fhir_name_is_refused_also_when_it_is_escaped(client: TestClient) -> None:
    held = {**PATIENT, "name": [{"family": "Ash\u202edown", "given": ["A"]}]}
    text = write(held)
    for sent in (text, text.replace("\u202e", "\\u202E")):
        answer = client.post("/fhir/Patient", content=sent.encode(), headers={"Content-Type": "application/fhir+json"})
        assert answer.status_code == 422, answer.text
        assert issues(answer)[0][2] == "Patient.name[0].family"


def test_dashes_quotes_and_names_written_from_the_right_are_taken(client: TestClient) -> None:
    body = referral()
    body["patient"] |= {"family_name": "O’Ashdown–Ferry", "given_name": "שרה"}
    assert post(client, "/intake/referrals", body).status_code == 201
