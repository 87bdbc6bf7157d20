"""Letter and instruction sheet: page and PDF say the same, every reason with value, threshold, mark and source."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from service.fhir.engine import CAUTION
from service.fhir.json_text import load
from service.pipeline import Pipeline
from service.pipeline.page_reads import Entries, case_read
from service.rules.reason import say
from service.web.pages.papers import Paper, letter_of
from service.web.pages.reasons import cited
from service.web.pages.sheet import sheet_of
from tests.web.messages import Case, example, referral

MADE = {"letter": letter_of, "sheet": sheet_of}


def squeezed(text: str) -> str:
    """Without blanks, so that where a line ends makes no difference."""
    return re.sub(r"\s+", "", text)


def html_of(client: TestClient, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    main = answer.text.split('<main id="content">')[1]
    return squeezed(unescape(re.sub(r"<[^>]+>", "", main)))


def pdf_of(client: TestClient, address: str) -> PdfReader:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    return PdfReader(BytesIO(answer.content))


def text_of(reader: PdfReader) -> str:
    """The words of all pages, without the lines at their feet."""
    pages = [re.sub(r"Case \S+, as of \d+ \w+ \d+\s*Page \d+", "", page.extract_text()) for page in reader.pages]
    return squeezed(" ".join(pages))


def said(paper: Paper) -> list[str]:
    """Everything a paper says."""
    found = [paper.title, paper.as_of, paper.caution, *(word for pair in paper.about for word in pair)]
    for section in paper.sections:
        found += [section.title, section.outcome, *section.words, *section.items, *section.cautions]
        found += [line.text for line in (*section.main, *section.lines)]
        found += [cell for row in section.table for cell in row]
        for reason in section.reasons:
            found += [reason["title"], reason["standing"], reason["sentence"], reason["observed"], reason["needs"]]
            found += reason["notes"]
            found += [words for t in reason["thresholds"] for words in (t["value"], t["meaning"], cited(t))]
    return [words for words in found if words]


def course(client: TestClient, name: str) -> Case:
    """A case at one of its stages."""
    case = Case(client, referral(patient__family_name="Źródłowska-Ångström"))
    if name == "new":
        return case
    case.fitted()
    case.sent("assessments", example("dental-office/assessment"))
    case.sent("progress", example("dental-office/progress"))
    if name == "tested":
        case.sent("sleep-tests", example("sleep-lab/efficacy-test"))
    if name == "stopped":
        flag = {"entry_id": "f1", "reported_on": "2026-11-19", "kind": "drowsy-driving"}
        case.sent("progress", {"red_flags": [flag]})
    return case


@pytest.mark.parametrize("paper", ["letter", "sheet"])
@pytest.mark.parametrize("name", ["new", "titrating", "stopped", "tested"])
def test_page_and_pdf_say_what_the_paper_says(
    client: TestClient, sqlite_pipeline: Pipeline, name: str, paper: str
) -> None:
    case = course(client, name)
    wanted = said(MADE[paper](case_read(sqlite_pipeline, case.number, Entries.NONE)))
    address = f"/cases/{case.number}/{paper}"
    page, pdf = html_of(client, address), text_of(pdf_of(client, f"{address}.pdf"))
    assert [words for words in wanted if squeezed(words) not in page] == []
    assert [words for words in wanted if squeezed(words) not in pdf] == []
    own = CAUTION if paper == "letter" else say("patient.caution")
    assert squeezed(own) in page and "Źródłowska-Ångström" in pdf


def test_every_reason_of_the_case_is_in_the_letter(client: TestClient) -> None:
    case = course(client, "tested")
    data: dict[str, Any] = load(client.get(f"/cases/{case.number}").text)
    decisions = [data[name] for name in ("readiness", "next_step", "response", "follow_up") if data[name]]
    sentences = [c["sentence"] for d in decisions for c in d["criteria"]]
    sentences += [visit["sentence"].rpartition(" (")[0] for visit in data["follow_up"]["visits"]]
    sources = [t["source"] for d in decisions for t in d["thresholds"] if "doi" in t["source"]]
    sources += [f"Source of a caution: {cited}." for cited in data["response"]["cites"]]
    assert len(decisions) == 4 and len(sentences) > 15 and sources
    letter = html_of(client, f"/cases/{case.number}/letter")
    assert [s for s in (*sentences, *sources) if squeezed(s) not in letter] == []
    for words in ("Please decide on the result", "Before", "With the appliance", "REI", "our default, no published"):
        assert squeezed(words) in letter


def test_a_letter_says_when_nothing_is_asked(client: TestClient) -> None:
    letter = html_of(client, f"/cases/{course(client, 'new').number}/letter")
    assert "Nothingnow" in letter


def test_the_papers_come_in_both_sizes_and_no_other(client: TestClient) -> None:
    case = course(client, "new")
    for asked, width_pt in (("", 595), ("?paper=a4", 595), ("?paper=letter", 612)):
        pages = pdf_of(client, f"/cases/{case.number}/letter.pdf{asked}").pages
        assert {round(p.mediabox.width) for p in pages} == {width_pt}
    assert client.get(f"/cases/{case.number}/letter.pdf?paper=a0").status_code == 400


@pytest.mark.parametrize("address", ["letter", "letter.pdf", "sheet", "sheet.pdf"])
def test_there_is_no_paper_of_no_case(client: TestClient, address: str) -> None:
    assert client.get(f"/cases/AR-NONE/{address}").status_code == 404


def test_the_case_page_leads_to_the_papers(client: TestClient) -> None:
    case = course(client, "titrating")
    page = client.get(f"/cases/{case.number}/page").text
    for name in ("letter", "sheet", "check-in-link"):
        assert f'href="/cases/{case.number}/{name}"' in page
    assert f'href="/cases/{case.number}/letter.pdf"' in client.get(f"/cases/{case.number}/letter").text


JARGON = re.compile(
    r"doi|policy|published|common practice|not met|\bmet\b|threshold|Epworth|protrusi|titration|criteri", re.I
)


@pytest.mark.parametrize("name", ["new", "titrating", "stopped", "tested"])
def test_the_sheet_speaks_to_the_patient_alone(client: TestClient, sqlite_pipeline: Pipeline, name: str) -> None:
    case = course(client, name)
    sheet = sheet_of(case_read(sqlite_pipeline, case.number, Entries.NONE))
    assert [words for words in said(sheet) if JARGON.search(words)] == []
    assert 1 <= len(sheet.sections[0].main) <= 3 and not any(s.reasons or s.table for s in sheet.sections)


def test_the_sheet_says_whom_to_call_with_the_number_of_the_referral(client: TestClient) -> None:
    told = referral(dental_office__telephone="+1 (555) 0117", physician__practice__telephone="555-0142")
    case = Case(client, told).fitted()
    case.sent("progress", example("dental-office/progress"))
    case.sent("progress", {"red_flags": [{"entry_id": "f1", "reported_on": "2026-11-19", "kind": "drowsy-driving"}]})
    page = client.get(f"/cases/{case.number}/sheet").text
    called = 'Call your doctor today: <a class="telephone" href="tel:5550142">555-0142</a> <span class="whence">(according to the referral).</span>'
    assert f'<p class="main-message">{called}</p>' in page
    assert 'href="tel:+15550117">+1 (555) 0117</a> <span class="whence">(according to the referral).</span>' in page
    assert page.index("Do not drive until your doctor says it is safe.") < page.index("Call your doctor today")
    pdf = text_of(pdf_of(client, f"/cases/{case.number}/sheet.pdf"))
    assert squeezed("Call your doctor today: 555-0142 (according to the referral).") in pdf
    assert "tel:5550142" in client.get(f"/cases/{case.number}/page").text


def test_without_a_number_the_sheet_says_whom_to_call_alone(client: TestClient) -> None:
    page = client.get(f"/cases/{course(client, 'stopped').number}/sheet").text
    assert '<p class="main-message">Call your doctor today.</p>' in page
    assert "tel:" not in page and "according to" not in page


def test_the_sites_own_number_counts_before_the_referrals(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    sqlite_pipeline.site = replace(sqlite_pipeline.site, dentist_telephone="555 0199")
    case = Case(client, referral(dental_office__telephone="555 0117")).fitted()
    case.sent("progress", example("dental-office/progress"))
    held = case_read(sqlite_pipeline, case.number, Entries.NONE).telephones
    assert held["dentist"].text == "555 0199" and "physician" not in held
    assert "555 0117" not in client.get(f"/cases/{case.number}/sheet").text


def test_a_letter_asks_in_one_sentence_first(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    letter = letter_of(case_read(sqlite_pipeline, course(client, "stopped").number, Entries.NONE))
    asked, flags = letter.sections[:2]
    assert asked.outcome.startswith("Please review the patient before titration goes on by ")
    assert "It is closed by the physician's office." in flags.items[0]
