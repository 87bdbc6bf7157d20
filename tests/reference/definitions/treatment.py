"""What the dental office and the patient report: assessment, appliance, settings, check-ins, side effects."""

from __future__ import annotations

from service.fhir.check_in import CHOICES, LINK_IDS, QUESTIONNAIRE
from service.fhir.codes import LOCAL, OVERJET
from service.rules import limits
from service.rules.limits import Limit
from tests.reference.definitions.shape import (
    BASED_ON,
    CATEGORY,
    EFFECTIVE,
    Element,
    Profile,
    Rule,
    chosen,
    counted,
    dated,
    day_of,
    flagged,
    has_part,
    is_code,
    measured,
    parts,
    patient,
    quantity,
    range_rule,
    to,
    whole,
    worded,
)

_BODY = (BASED_ON, CATEGORY)
_FROM = Element("derivedFrom", "0..*", "The check-in it was taken from, from which the fact is read already")


def _observation(name: str, title: str, description: str, *rest: Element, rules: tuple[Rule, ...] = ()) -> Profile:
    head = (*_BODY, is_code(name), patient(), EFFECTIVE)
    return Profile(name, "Observation", title, description, (*head, *rest), rules)


_ANSWERS = {"health-changes": ("1..4", "One answer for each")}
"""Cardinality of the answers of a question that may have several."""


def _length(code: str, why: str, limit: Limit) -> tuple[Element, ...]:
    """A length among the appliance's properties."""
    name = f"property:{code}"
    return (
        Element(name, "0..1", why),
        is_code(code, f"{name}.type", why),
        *quantity(f"{name}.valueQuantity", limit, code, "The length"),
    )


def _answer(link: str, kind: str, why: str, *rules: Rule) -> tuple[Element, ...]:
    """One question of the check-in and its only answer."""
    name = f"item:{link}"
    return (
        Element(name, "0..1", why),
        Element(f"{name}.linkId", "1..1", "The question", pattern=("string", link)),
        Element(f"{name}.answer", *_ANSWERS.get(link, ("1..1", "Exactly one answer"))),
        Element(f"{name}.answer.value[x]", "1..1", "The answer", types=(kind,), rules=rules),
    )


def _number(link: str, kind: str, why: str, limit: Limit) -> tuple[Element, ...]:
    return _answer(link, kind, why, range_rule(f"answer-{link}-range", limit, "$this"))


def _word(link: str, why: str) -> tuple[Element, ...]:
    """A question answered by one of our words."""
    words = CHOICES[link][0]
    held = " or ".join(f"$this = '{word}'" for word in words)
    return _answer(link, "string", why, Rule(f"answer-{link}", f"One of {', '.join(words)}.", held))


def _answered(link: str) -> str:
    return f"item.where(linkId = '{link}').answer.value"


_CHECK_IN_RULES = (
    Rule(
        "check-in-questionnaire",
        "It answers our questionnaire.",
        f"questionnaire = '{QUESTIONNAIRE}' or questionnaire.startsWith('{QUESTIONNAIRE}|')",
    ),
    Rule("check-in-answers", "At least one question is answered.", "item.where(linkId != 'reported-by').exists()"),
    Rule(
        "check-in-nights",
        "Nights worn and nights reported on belong together.",
        "item.where(linkId = 'nights-worn').exists() = item.where(linkId = 'nights-reported').exists()",
    ),
    Rule(
        "check-in-nights-worn",
        "Nights worn are not more than nights reported on.",
        f"iif({_answered('nights-worn')} > {_answered('nights-reported')}, false, true)",
    ),
    Rule(
        "check-in-hours",
        "Hours per night need the nights they were averaged over.",
        "item.where(linkId = 'hours-per-night').exists() implies item.where(linkId = 'nights-worn').exists()",
    ),
    Rule(
        "check-in-changes",
        "Each change of health is told once.",
        "item.where(linkId = 'health-changes').answer.value.isDistinct()",
    ),
)
_CHECK_IN_ITEMS = (
    _number("snoring", "decimal", "Snoring, 10 is loudest", limits.SCALE_0_TO_10),
    _number("restedness", "decimal", "Restedness, 10 is fully rested", limits.SCALE_0_TO_10),
    _number("hours-per-night", "decimal", "Mean hours worn", limits.HOURS_PER_NIGHT),
    _number("hours-slept-per-night", "decimal", "Mean hours slept", limits.HOURS_PER_NIGHT),
    _number("weight-kg", "decimal", "Body weight", limits.WEIGHT_KG),
    _number("epworth-total", "integer", "Epworth scale, total only", limits.EPWORTH_TOTAL),
    _number("nights-reported", "integer", "Nights it is about", limits.NIGHTS),
    _number("nights-worn", "integer", "Nights worn", limits.NIGHTS),
    _answer("witnessed-pauses", "boolean", "Whether someone saw pauses in breathing"),
    _word("reported-by", "Who reports"),
    _word("who-could-hear", "Who or what could hear the patient sleep"),
    _number("recorder-nights", "integer", "Nights with a recorder", limits.RECORDER_NIGHTS),
    _word("driving", "What the patient drives"),
    _word("health-changes", "New conditions, each once"),
)
assert {items[1].pattern[1] for items in _CHECK_IN_ITEMS if items[1].pattern} == set(LINK_IDS.values())


def _ends_after(begin: str, key: str, human: str) -> Rule:
    return Rule(key, human, f"iif({has_part('end')}.value < {begin}, false, true)")


PROFILES = (
    _observation(
        "dental-assessment",
        "Dental assessment",
        "The dentist's examination before an appliance is made.",
        *parts(
            measured("protrusive-range", "0..1", "How far the jaw moves forward", limits.RANGE_MM),
            measured(OVERJET, "0..1", "Overjet, followed for occlusal change", limits.OVERBITE_MM),
            measured("overbite", "0..1", "Overbite, followed for occlusal change", limits.OVERBITE_MM),
            counted("teeth-upper", "0..1", "Under ten in an arch is a caution", limits.TEETH_IN_ARCH),
            counted("teeth-lower", "0..1", "Under ten in an arch is a caution", limits.TEETH_IN_ARCH),
            flagged("mobile-teeth", "A caution, never a block"),
            flagged("active-tmj-disorder", "A caution, never a block"),
        ),
        rules=(
            Rule(
                "range-above-zero",
                "A protrusive range is more than 0 mm.",
                f"{has_part('protrusive-range')}.value.value.all($this > 0)",
            ),
        ),
    ),
    Profile(
        "appliance",
        "Device",
        "Oral appliance",
        "The appliance with its limits, in mm from the starting position.",
        (
            is_code("oral-appliance", "type", "Custom titratable oral appliance"),
            *parts(
                _length("maximum-advance", "Settings beyond it are refused", limits.ADVANCE_MM),
                _length("smallest-step", "A titration step is at least this", limits.STEP_MM),
                _length("starting-position", "Where 0 mm is", limits.POSITION_MM),
                on="property",
                by="type",
            ),
            patient("patient"),
        ),
    ),
    Profile(
        "appliance-use",
        "DeviceUseStatement",
        "Use of the appliance",
        "From the day of delivery to the day its use ended.",
        (
            to("basedOn", "0..*", "Names the case", "ServiceRequest"),
            patient(),
            Element("timing[x]", "1..1", "The time of use", types=("Period",)),
            Element("timing[x].start", "1..1", "The day of delivery: titration begins"),
            Element("timing[x].end", "0..1", "The last day of use"),
            to("device", "1..1", "The appliance", "Device"),
        ),
        (
            Rule("use-start-day", "The day of delivery is known to the day.", "timing.start.toString().length() >= 10"),
            Rule("use-ends-after", "Use does not end before delivery.", "iif(timing.end < timing.start, false, true)"),
        ),
    ),
    Profile(
        "visit",
        "Encounter",
        "Visit",
        "A visit that follows treatment up, or the physician's evaluation before the sleep test.",
        (
            Element("identifier", "1..*", "The office's own number: a repeat is the same visit"),
            Element("type", "1..*", "Which office, or the evaluation before the test", value_set="visit-kind"),
            patient(),
            to("basedOn", "0..*", "Names the case", "ServiceRequest"),
            Element("period", "1..1", "When it was"),
            Element("period.start", "1..1", "The day of the visit"),
        ),
        (Rule("visit-day", "A visit is known to the day.", "period.start.toString().length() >= 10"),),
    ),
    _observation(
        "protrusion-setting",
        "Protrusion setting",
        "Mm advanced from the starting position, both sides.",
        *parts(
            measured("advance-left", "1..1", "Both sides, or it is no setting", limits.ADVANCE_MM),
            measured("advance-right", "1..1", "Both sides, or it is no setting", limits.ADVANCE_MM),
            measured(
                "percent-of-protrusive-range", "0..1", "The denominator is the protrusive range", limits.SHARE_PERCENT
            ),
            flagged("difference-intended", "Otherwise unequal sides are reported as uneven"),
            flagged("taken-back-for-side-effect", "Tells the rules that advancing again would bring it back"),
            worded("setting-reason", "0..1", "Why it is an unusual step"),
            worded("no-further-reason", "0..1", "Why it is tested now, without a further step"),
        ),
    ),
    Profile(
        "check-in",
        "QuestionnaireResponse",
        "Check-in",
        "The patient's periodic report. The Epworth scale enters as its total only.",
        (
            to("basedOn", "0..*", "Names the case", "ServiceRequest", "CarePlan"),
            Element("questionnaire", "1..1", "Which questions were asked"),
            patient(),
            day_of("authored", "The day of the report"),
            *parts(*_CHECK_IN_ITEMS, on="item", by="linkId", closed=True),
        ),
        _CHECK_IN_RULES,
    ),
    _observation(
        "snoring",
        "Snoring",
        "Loudness of snoring, 0 to 10.",
        *quantity("value[x]", limits.SCALE_0_TO_10, "snoring", "10 is loudest"),
        _FROM,
    ),
    _observation(
        "restedness",
        "Restedness",
        "Restedness on waking, 0 to 10.",
        *quantity("value[x]", limits.SCALE_0_TO_10, "restedness", "10 is fully rested"),
        _FROM,
    ),
    _observation(
        "epworth-total",
        "Epworth total",
        "Total of the Epworth sleepiness scale; never its items, and no total when one is missing.",
        whole("value[x]", limits.EPWORTH_TOTAL, "epworth", "0 to 24"),
        _FROM,
    ),
    _observation(
        "wear",
        "Wear",
        "Nights worn of nights reported on, and mean hours.",
        _FROM,
        *parts(
            counted("nights-reported", "1..1", "Wear is judged over at least 7", limits.NIGHTS),
            counted("nights-worn", "1..1", "Of the nights reported on", limits.NIGHTS),
            measured("hours-per-night", "0..1", "Mean hours worn", limits.HOURS_PER_NIGHT),
            measured("hours-slept-per-night", "0..1", "Mean hours slept", limits.HOURS_PER_NIGHT),
        ),
        rules=(
            Rule(
                "wear-nights",
                "Nights worn are not more than nights reported on.",
                f"iif({has_part('nights-worn')}.value > {has_part('nights-reported')}.value, false, true)",
            ),
        ),
    ),
    _observation(
        "witnessed-pauses",
        "Witnessed pauses",
        "Whether someone saw pauses in breathing.",
        Element("value[x]", "1..1", "True or false", types=("boolean",)),
        _FROM,
    ),
    _observation(
        "body-weight-reported",
        "Body weight as reported",
        "Body weight as the patient reports it; no vital sign taken by a clinician.",
        *quantity("value[x]", limits.WEIGHT_KG, "weight", "Body weight"),
        _FROM,
    ),
    _observation(
        "side-effect",
        "Side effect",
        "A side effect of the appliance with its grade. No diagnosis: that is a physician's.",
        Element(
            "value[x]",
            "1..1",
            "The kind",
            types=("CodeableConcept",),
            rules=(
                Rule(
                    "side-effect-kind",
                    "The kind is named in text or as a code of ours.",
                    f"text.exists() or coding.where(system = '{LOCAL}').exists()",
                ),
            ),
        ),
        *parts(
            counted("side-effect-grade", "1..1", "From grade 2 titration is held", limits.SIDE_EFFECT_GRADE),
            dated("onset", "Not given means the day of the report"),
            dated("end", "An ended side effect no longer holds titration"),
        ),
        rules=(
            _ends_after(
                f"{has_part('onset')}.value", "side-effect-ends-after", "The end does not lie before the onset."
            ),
        ),
    ),
    _observation(
        "red-flag",
        "Red flag",
        "A finding that stops titration until someone has looked.",
        Element(
            "value[x]",
            "1..1",
            "The kind says who looks, and how soon",
            types=("CodeableConcept",),
            value_set="red-flag-kind",
        ),
        *parts(
            dated("end", "The day it was resolved"),
            chosen("closing-office", "0..1", "Whose resolution it is; not given means the dental office's", "office"),
            worded("closed-by", "0..1", "Who resolved it"),
            worded("action-taken", "0..1", "What was done"),
        ),
        rules=(_ends_after("effective", "red-flag-ends-after", "It is not resolved before it was reported."),),
    ),
    _observation(
        "red-flag-closure",
        "Closure of a red flag",
        "An office that looked into a kind of red flag says so: it answers what was reported up to then.",
        Element(
            "value[x]",
            "1..1",
            "The kind that is closed",
            types=("CodeableConcept",),
            value_set="red-flag-kind",
        ),
        *parts(
            chosen("closing-office", "1..1", "For which office it closes", "office"),
            worded("closed-by", "1..1", "Who closed it"),
            worded("action-taken", "1..1", "What was done"),
        ),
    ),
)
