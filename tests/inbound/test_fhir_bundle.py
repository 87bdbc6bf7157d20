"""What FHIR messages come to before they reach the store."""

from __future__ import annotations

import pytest

from service.errors import Refused
from service.inbound.fhir_bundle import map_bundle
from service.inbound.fhir_resource import etag_version
from service.inbound.fhir_single import map_create
from tests.web.messages import PATIENT, example

ROLE = {"resourceType": "PractitionerRole", "active": True}


@pytest.mark.parametrize(("etag", "version"), [('W/"3"', 3), ('"3"', 3), (' W/"12" ', 12)])
def test_an_etag_names_a_version(etag: str, version: int) -> None:
    assert etag_version(etag) == version


@pytest.mark.parametrize("etag", ["3", "*", "", 'W/"x"', 'W/"3", W/"4"', 'W/"٣"', 3, None, ["3"]])
def test_anything_else_names_none(etag: object) -> None:
    with pytest.raises(Refused, match="If-Match must look like"):
        etag_version(etag)


def test_ids_and_versions_of_the_client_are_not_taken_over() -> None:
    meta = {"versionId": "7", "lastUpdated": "2026-01-01T00:00:00Z", "source": "urn:x"}
    (draft,) = map_create({**PATIENT, "id": "mine", "meta": meta}, "Patient", None).drafts
    assert draft.resource == {**PATIENT, "meta": {"source": "urn:x"}}


def test_the_first_whole_identifier_is_the_identity() -> None:
    held = [{"value": "no system"}, {"system": "urn:x", "value": "1"}, {"system": "urn:y", "value": "2"}]
    (draft,) = map_create({**ROLE, "identifier": held}, "PractitionerRole", None).drafts
    assert draft.identity == ("urn:x", "1")
    assert draft.identifiers == (("urn:x", "1"), ("urn:y", "2"))
    (other,) = map_create({**ROLE, "identifier": held}, "PractitionerRole", "identifier=urn:y|2").drafts
    assert other.identity == ("urn:y", "2")
    (plain,) = map_create(dict(ROLE), "PractitionerRole", None).drafts
    assert plain.identity is None


def test_every_entry_of_the_example_is_a_draft_at_its_address() -> None:
    body = example("sleep-lab/referral-bundle")
    drafts = map_bundle(body).drafts
    assert [d.local for d in drafts] == [e["fullUrl"] for e in body["entry"]]
    assert [d.path for d in drafts] == [f"Bundle.entry[{i}].resource" for i in range(len(drafts))]


def test_a_bundle_holds_500_entries_at_most() -> None:
    entry = {"resource": PATIENT, "request": {"method": "POST", "url": "Patient"}}
    with pytest.raises(Refused, match="may hold 500 entries"):
        map_bundle({"resourceType": "Bundle", "type": "transaction", "entry": [entry] * 501})
