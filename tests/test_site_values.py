"""A value that a site has set is never shown as its source's: not in a resource, not in the printed table."""

from __future__ import annotations

from decimal import Decimal

from service.commands.rules import table
from service.fhir.decision_observation import About, decision_observation
from service.rules.readiness import assess_readiness
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from tests.rules.build import AS_OF, after_delivery

SITE = Thresholds().with_values({"wear_hours": Decimal(5)})


def ranges(thresholds: Thresholds) -> list[str]:
    """The reference ranges of wear in the readiness Observation."""
    decision = assess_readiness(after_delivery(), thresholds, AS_OF)
    about = About({"reference": "Patient/1"}, {"reference": "ServiceRequest/1"}, Source("Device/rules", 1))
    built = decision_observation(decision, "x", about)
    wear = next(c for c in built["component"] if c["code"]["text"] == "Worn enough")
    return [r["text"] for r in wear["referenceRange"] if "hours" in r["text"]]


def test_a_published_value_names_its_source() -> None:
    assert any(text.startswith("mean hours") and "(published; Dieltjens 2013" in text for text in ranges(Thresholds()))


def test_a_value_set_by_the_site_is_called_so_in_the_observation() -> None:
    (text,) = (t for t in ranges(SITE) if t.startswith("mean hours"))
    assert "5 h (set by this site; default 4 h (" in text
    assert "published;" not in text


def test_a_value_set_by_the_site_is_called_so_in_the_table() -> None:
    (row,) = (line for line in table(SITE).splitlines() if line.startswith("| `wear_hours` |"))
    assert "| set by this site |" in row
    assert "default 4 h" in row
    assert "| published |" not in row
