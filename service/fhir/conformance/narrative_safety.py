"""Whether a narrative is safe to show: no script by any spelling, nothing loaded from elsewhere.

The judges are a maintained sanitiser (nh3) and a parser of addresses as browsers read them (https://url.spec.whatwg.org/).
They only judge: a narrative is taken as it is or refused, never rewritten.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import ada_url
import nh3

_HERE = "https://narrative.invalid/"
_LINKS = frozenset({"https:", "http:", "mailto:", "tel:", "urn:"})
_ADDRESSES = frozenset({"href", "cite", "longdesc"})
_PICTURES = re.compile(r"data:image/(png|jpeg|gif|webp)(;[^,]*)?,", re.IGNORECASE)
_STYLE_FUNCTIONS = re.compile(
    r"[\\@<]|(url|src|image|image-set|element|expression|attr|var|env|paint)\s*\(|behavio|binding", re.I
)
"""What of CSS loads something, runs something, or hides that it does: no such function, no escape, no at-rule."""
_COMMENT = re.compile(r"/\*.*?(\*/|$)", re.DOTALL)


def link_faults(name: str, value: str) -> Iterator[str]:
    """What is wrong with an attribute that leads somewhere or says how something looks."""
    if name in _ADDRESSES and not _leads_somewhere_safe(value):
        yield "The narrative may not hold scripts, nor data behind a link."
    if name == "src" and not _PICTURES.match(value.strip()):
        yield "A picture in a narrative is its own data (data:image/png, jpeg, gif or webp), nothing from elsewhere."
    if name == "usemap" and not value.startswith("#"):
        yield "A picture's map is in the narrative itself."
    if name == "style" and _STYLE_FUNCTIONS.search(_COMMENT.sub("", value)):
        yield "A style in a narrative loads nothing from elsewhere."


def _leads_somewhere_safe(value: str) -> bool:
    try:
        return ada_url.URL(value, base=_HERE).protocol in _LINKS
    except ValueError:
        return False


def is_changed_by_cleaning(text: str, tags: frozenset[str], attributes: dict[str, frozenset[str]]) -> bool:
    """Whether the sanitiser, which reads as browsers do, would take anything away beside what is always harmless.

    `attributes` are those allowed of each tag, those of all under `*`.
    """
    allowed = {tag: set(names) - {"rel"} for tag, names in attributes.items()}
    everything = {tag: {*names, *_DANGEROUS_ATTRIBUTES} for tag, names in allowed.items()}
    strict = nh3.clean(
        text, tags=set(tags), attributes=allowed, url_schemes={"http", "https", "mailto", "tel", "urn", "data"}
    )
    loose = nh3.clean(
        text,
        tags={*tags, *_DANGEROUS_TAGS},
        clean_content_tags=set(),
        attributes=everything,
        url_schemes={"http", "https", "mailto", "tel", "urn", "data", "javascript", "vbscript", "file", "ftp", "blob"},
    )
    return strict != loose


_DANGEROUS_TAGS = frozenset(
    [
        "script",
        "style",
        "iframe",
        "frame",
        "frameset",
        "object",
        "embed",
        "applet",
        "form",
        "input",
        "button",
        "select",
        "textarea",
        "link",
        "meta",
        "base",
        "svg",
        "math",
        "template",
        "noscript",
        "video",
        "audio",
        "source",
        "track",
        "canvas",
        "marquee",
        "portal",
        "dialog",
        "isindex",
        "xmp",
        "plaintext",
    ]
)
_DANGEROUS_ATTRIBUTES = frozenset(
    [
        "onload",
        "onerror",
        "onclick",
        "onmouseover",
        "onfocus",
        "onanimationstart",
        "ontoggle",
        "onpointerdown",
        "action",
        "formaction",
        "srcdoc",
        "background",
        "poster",
        "srcset",
        "ping",
        "xlink:href",
    ]
)
