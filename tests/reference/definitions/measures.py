"""Sleep tests: the report and its measures, and the history of positive airway pressure."""

from __future__ import annotations

from service.fhir.codes import LOCAL, ODI
from service.rules import limits
from tests.reference.definitions.shape import (
    BASED_ON,
    CATEGORY,
    EFFECTIVE,
    Element,
    Profile,
    Rule,
    chosen,
    counted,
    day_of,
    flagged,
    is_code,
    measured,
    parts,
    patient,
    plain,
    quantity,
    to,
)
from tests.reference.definitions.value_sets import MEASURES

_BODY = (BASED_ON, CATEGORY)
_PERFORMER = Element("performer", "0..*", "The laboratory; of a measure, who made the test")
_WORN = to("device", "0..1", "The appliance, when it was worn at the test", "Device")
_PURPOSE = (
    f"category.coding.where(system = '{LOCAL}' and (code = 'baseline-test' or code = 'efficacy-test')).count() = 1"
)


def _measure_rule(code: str, name: str) -> Rule:
    limit = getattr(limits, name)
    low, high = plain(limit.low), plain(limit.high)
    return Rule(
        f"measure-{code}",
        f"«{code}» is given in {limit.unit}, between {low} and {high}: {limit.why}.",
        f"code.coding.where(system = '{LOCAL}' and code = '{code}').exists() implies "
        f"(value.code = '{limit.unit}' and value.value >= {low} and value.value <= {high})",
    )


PROFILES = (
    Profile(
        "sleep-test",
        "DiagnosticReport",
        "Sleep test",
        "A baseline or efficacy test as its laboratory reports it; the measures are Observations of their own.",
        (
            Element("category", "1..*", "Baseline or efficacy test"),
            Element("code", "1..1", "At home or in a laboratory: the two are compared with caution"),
            patient(),
            day_of("effective[x]", "The night of the test", "dateTime"),
            _PERFORMER,
            to("result", "0..*", "The measures", "Observation"),
        ),
        (
            Rule("test-purpose", "A test is either a baseline or an efficacy test.", _PURPOSE),
            Rule(
                "test-results",
                "A test that counts lists its measures.",
                "result.exists() or status = 'registered' or status = 'cancelled' or status = 'entered-in-error'",
            ),
        ),
    ),
    Profile(
        "sleep-test-index",
        "Observation",
        "Index of a sleep test",
        "Respiratory events per hour, with the name of the index and the hypopnoea rule it was scored by.",
        (
            *_BODY,
            Element("code", "1..1", "Which index: AHI, REI or RDI are not the same", value_set="sleep-test-index"),
            patient(),
            EFFECTIVE,
            _PERFORMER,
            *quantity("value[x]", limits.INDEX_PER_HOUR, "index", "The index"),
            Element("method", "0..1", "The hypopnoea rule; not given means unknown", value_set="hypopnoea-rule"),
            _WORN,
            *parts(
                measured(
                    "event-count", "0..1", "Events counted: intervals are worked out from them", limits.EVENT_COUNT
                ),
                measured("worn-hours", "0..1", "Hours with the appliance in", limits.HOURS_IN_TEST),
                measured("advance-left", "0..1", "Setting worn that night, left", limits.ADVANCE_MM),
                measured("advance-right", "0..1", "Setting worn that night, right", limits.ADVANCE_MM),
                counted("nights-in-test", "0..1", "Nights the test went over", limits.NIGHTS_IN_TEST),
                chosen("test-kind", "0..1", "Tests of different kinds are not compared", "test-kind"),
                chosen("scoring", "0..1", "Who scored the recording", "scoring"),
                chosen("appliance-worn", "0..1", "Not given with a device means all night", "appliance-worn"),
                flagged("further-index", "Another index of the night, not the one that is judged"),
                flagged("rdi-includes-arousals", "Whether arousals count into the RDI"),
                flagged("index-covers-worn-hours-only", "Whether it is the index of the hours with the appliance in"),
                flagged("split-night", "Part of the night without and part with treatment"),
                flagged("pap-on", "Positive airway pressure that night"),
                flagged("positional-device-on", "A positional device that night"),
                flagged("oxygen-on", "Oxygen that night"),
                flagged("alcohol", "Alcohol that evening"),
            ),
        ),
    ),
    Profile(
        "sleep-test-odi",
        "Observation",
        "Oxygen desaturation index",
        "Desaturations per hour, with the fall that counts as one.",
        (
            *_BODY,
            is_code(ODI, why="Oxygen desaturation index"),
            patient(),
            EFFECTIVE,
            _PERFORMER,
            *quantity("value[x]", limits.INDEX_PER_HOUR, "odi", "The index"),
            _WORN,
            *parts(
                measured(
                    "desaturation-drop", "1..1", "Without its threshold an ODI means nothing", limits.ODI_DROP_PERCENT
                )
            ),
        ),
    ),
    Profile(
        "sleep-test-measure",
        "Observation",
        "Further measure of a sleep test",
        "Times, SpO2, T90, index and time by position, central events, counts by kind, weight.",
        (
            *_BODY,
            Element("code", "1..1", "Which measure", value_set="sleep-test-measure"),
            patient(),
            EFFECTIVE,
            _PERFORMER,
            Element("value[x]", "1..1", "The value, in the unit of its measure", types=("Quantity",)),
            Element("value[x].value", "1..1", "A number, not only a unit"),
            Element("value[x].comparator", "0..0", "An exact value, no more-than or less-than"),
            _WORN,
            *parts(chosen("t90-denominator", "0..1", "Which time T90 is a share of", "t90-denominator")),
        ),
        tuple(_measure_rule(code, name) for code, name in MEASURES.items()),
    ),
    Profile(
        "pap-history",
        "Observation",
        "History of positive airway pressure",
        "Whether positive airway pressure was tried, and how it went, in words.",
        (
            *_BODY,
            is_code("pap-history"),
            patient(),
            EFFECTIVE,
            Element("value[x]", "1..1", "What is known", types=("CodeableConcept",)),
            Element("value[x].text", "1..1", "In words"),
        ),
    ),
)
