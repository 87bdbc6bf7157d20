"""A client's Subscription: what it may ask for, read from the resource.

Topic-based subscriptions of R5 on R4: https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/components.html
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.errors import Category, Problem
from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.conformance.issue import ERROR
from service.fhir.conformance.judge import issues_of
from service.fhir.json_parts import is_object
from service.rules.decision import Party
from service.rules.stage import StageName

GUIDE = "http://hl7.org/fhir/uv/subscriptions-backport"
WHOSE_MOVE, EMERGENCY_ACCESS = "whose-move", "emergency-access"
"""The topics, as notices name them: it is a party's move; a case was opened by emergency access."""
TOPIC = f"{BASE}/SubscriptionTopic/{WHOSE_MOVE}"
EMERGENCY_TOPIC = f"{BASE}/SubscriptionTopic/{EMERGENCY_ACCESS}"
TOPIC_VERSION = "1.0.0"
_TOPICS = {TOPIC: WHOSE_MOVE, EMERGENCY_TOPIC: EMERGENCY_ACCESS}
ID_ONLY, EMPTY = "id-only", "empty"
KEPT = "(kept by the service)"
"""Stands in place of a header's value when a Subscription is read back."""

MOVERS = {Party.PHYSICIAN: "physician", Party.DENTIST: "dentist", Party.SLEEP_LAB: "sleep-lab"}
"""The parties that are told of their move, and how a filter names them."""

FILTERS = {
    "whose-move": frozenset(MOVERS.values()),
    "stage": frozenset(stage.value for stage in StageName),
    "owner": None,
}
"""What a subscription to whose move it is may be narrowed by, and the values it takes; None for a reference."""

_HEADERS = frozenset(("authorization", "x-api-key", "x-auth-token"))
_HEADER = re.compile(r"([A-Za-z-]{1,40}): ?([\x21-\x7e]([\x20-\x7e]{0,2046}[\x21-\x7e])?)")
_REFERENCE = re.compile(r"[A-Z][A-Za-z]{1,40}/[A-Za-z0-9.-]{1,64}")
_STATES = ("requested", "active", "error", "off")
_LONGEST_ENDPOINT = 1000
_MOST_HEADERS = 4
_MOST_EVENTS = 50
_HEARTBEAT_S = (1, 604_800)
_TIMEOUT_S = (1, 60)
_TIMEOUT_DEFAULT_S = 10


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a Subscription asks for; `topic` is as notices name it. `headers` are as the client wrote them, or with `KEPT` for a value."""

    topic: str
    status: str
    filters: tuple[tuple[str, frozenset[str]], ...]
    endpoint: str
    headers: tuple[str, ...]
    content: str
    heartbeat_s: int
    timeout_s: int
    most_events: int
    ends_at: datetime | None

    def takes(self, values: Mapping[str, frozenset[str]]) -> bool:
        """Whether an event with these filter values is to be sent: every filter holds one of them."""
        return all(wanted & values[name] for name, wanted in self.filters)


def problems_of(resource: Resource) -> list[Problem]:
    """Every reason not to accept a Subscription, but for its endpoint's address."""
    if resource.get("resourceType") != "Subscription":
        return [Problem(Category.INVALID, "Resources at this address are of type Subscription.", "resourceType")]
    wrong = [Problem(Category.INVALID, i.message, i.expression) for i in issues_of(resource) if i.severity == ERROR]
    return wrong or list(_unsupported(resource))


def wanted_of(resource: Resource) -> Wanted:
    """What a Subscription without problems asks for."""
    channel = resource["channel"]
    return Wanted(
        _topic_of(resource),
        resource["status"],
        tuple(pair for text in _filter_texts(resource) for pair in _pairs(text)),
        channel["endpoint"],
        tuple(channel.get("header", ())),
        _extension(channel.get("_payload"), "backport-payload-content") or "",
        _extension(channel, "backport-heartbeat-period") or 0,
        _extension(channel, "backport-timeout") or _TIMEOUT_DEFAULT_S,
        min(_extension(channel, "backport-max-count") or _MOST_EVENTS, _MOST_EVENTS),
        _end(resource.get("end")),
    )


def canonical_of(topic: str) -> str:
    """The canonical URL of a topic that notices name."""
    return f"{BASE}/SubscriptionTopic/{topic}"


def header_of(text: object) -> tuple[str, str] | None:
    """Name and value of a header, if it is one that may be sent: those that prove who is calling."""
    found = _HEADER.fullmatch(text) if isinstance(text, str) else None
    return (found[1], found[2]) if found and found[1].lower() in _HEADERS else None


def _unsupported(resource: Resource) -> Iterator[Problem]:
    for element in ("modifierExtension", "implicitRules", "contained"):
        if element in resource:
            yield _not_supported(f"«{element}» is not taken in a Subscription.", f"Subscription.{element}")
    if resource["status"] not in _STATES:
        yield _not_supported("The status is one of requested, active, off.", "Subscription.status")
    if not _topic_of(resource):
        sentence = f"The topics of this service are {TOPIC} and {EMERGENCY_TOPIC}."
        yield _not_supported(sentence, "Subscription.criteria")
    texts = _filter_texts(resource)
    if texts and _topic_of(resource) == EMERGENCY_ACCESS:
        yield _not_supported("This topic has no filters.", "Subscription.criteria.extension[0]")
        texts = []
    for index, text in enumerate(texts):
        for sentence in _wrong_filter(text):
            yield _not_supported(sentence, f"Subscription.criteria.extension[{index}]")
    if _end(resource.get("end")) is None and "end" in resource:
        yield _not_supported("The end is an instant before the year 2200.", "Subscription.end")
    yield from _unsupported_channel(resource["channel"])


def _unsupported_channel(channel: Resource) -> Iterator[Problem]:
    at = "Subscription.channel"
    if channel["type"] != "rest-hook" or _extension(channel.get("_type"), "backport-channel-type"):
        yield _not_supported("Notices are sent by rest-hook.", f"{at}.type")
    endpoint = channel.get("endpoint")
    if not endpoint or len(endpoint) > _LONGEST_ENDPOINT:
        sentence = f"An endpoint of at most {_LONGEST_ENDPOINT} characters is needed."
        yield Problem(Category.INVALID, sentence, f"{at}.endpoint")
    if channel.get("payload") != "application/fhir+json":
        yield _not_supported("The payload is application/fhir+json.", f"{at}.payload")
    if _extension(channel.get("_payload"), "backport-payload-content") not in (ID_ONLY, EMPTY):
        sentence = "The extension backport-payload-content says id-only or empty; whole resources are never sent."
        yield _not_supported(sentence, f"{at}.payload")
    headers = channel.get("header", [])
    if len(headers) > _MOST_HEADERS:
        yield _not_supported(f"At most {_MOST_HEADERS} headers are taken.", f"{at}.header")
    for index, text in enumerate(headers[:_MOST_HEADERS]):
        if header_of(text) is None:
            sentence = "A header is Authorization, X-API-Key or X-Auth-Token, a colon, and plain ASCII characters."
            yield _not_supported(sentence, f"{at}.header[{index}]")
    for name, (low, high) in (("heartbeat-period", _HEARTBEAT_S), ("timeout", _TIMEOUT_S)):
        seconds = _extension(channel, f"backport-{name}")
        if seconds is not None and not (_is_whole(seconds) and low <= seconds <= high):
            sentence = f"backport-{name} is a whole number of seconds from {low} to {high}."
            yield _not_supported(sentence, f"{at}.extension")
    most = _extension(channel, "backport-max-count")
    if most is not None and not (_is_whole(most) and most > 0):
        yield _not_supported("backport-max-count is a whole number from 1.", f"{at}.extension")


def _topic_of(resource: Resource) -> str:
    """The topic that the criteria name, with its version or without; empty for any other text."""
    return _TOPICS.get(resource["criteria"].removesuffix(f"|{TOPIC_VERSION}"), "")


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _not_supported(sentence: str, path: str) -> Problem:
    return Problem(Category.NOT_SUPPORTED, sentence, path)


def _end(text: object) -> datetime | None:
    try:
        end = datetime.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None
    return end if end and end.year < 2200 else None


def _extension(holder: Any, name: str) -> Any:
    """The value of an extension of the guide; None when it is not there."""
    url = f"{GUIDE}/StructureDefinition/{name}"
    for one in holder.get("extension", ()) if is_object(holder) else ():
        if one["url"] == url:
            return next((value for key, value in one.items() if key.startswith("value")), None)
    return None


def _filter_texts(resource: Resource) -> list[Any]:
    url = f"{GUIDE}/StructureDefinition/backport-filter-criteria"
    extensions = resource.get("_criteria", {}).get("extension", ())
    return [one.get("valueString") for one in extensions if one["url"] == url]


def _pairs(text: str) -> Iterator[tuple[str, frozenset[str]]]:
    for part in text.split("&"):
        name, _, values = part.partition("=")
        yield name, frozenset(values.split(","))


def _wrong_filter(text: Any) -> Iterator[str]:
    """Sentences on what is wrong with a filter such as `whose-move=physician&owner=Practitioner/0192`."""
    if not isinstance(text, str):
        yield "A filter is a valueString such as whose-move=physician."
        return
    for name, values in _pairs(text):
        if name not in FILTERS:
            yield f"«{name[:40]}» is no filter of this topic; its filters are {', '.join(FILTERS)}."
            continue
        known = FILTERS[name]
        for value in sorted(values):
            if known is None and not _REFERENCE.fullmatch(value):
                yield f"{name}={value[:40]} is not a reference such as Organization/0192."
            elif known is not None and value not in known:
                yield f"{name}={value[:40]} is not one of {', '.join(sorted(known))}."


def subscription_capability() -> Resource:
    """What the CapabilityStatement says of Subscriptions, with the topics they may name.

    https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/conformance.html
    """
    operations = ("status", "events")
    return {
        "extension": [
            {
                "url": f"{GUIDE}/StructureDefinition/capabilitystatement-subscriptiontopic-canonical",
                "valueCanonical": topic,
            }
            for topic in _TOPICS
        ],
        "type": "Subscription",
        "supportedProfile": [f"{GUIDE}/StructureDefinition/backport-subscription"],
        "interaction": [{"code": code} for code in ("create", "read", "update", "delete", "search-type")],
        "versioning": "versioned-update",
        "readHistory": False,
        "updateCreate": False,
        "conditionalCreate": False,
        "searchParam": [
            {"name": "_id", "type": "token"},
            {"name": "criteria", "type": "string"},
            {"name": "status", "type": "token"},
            {"name": "url", "type": "uri"},
        ],
        "operation": [
            {"name": name, "definition": f"{GUIDE}/OperationDefinition/backport-subscription-{name}"}
            for name in operations
        ],
    }
