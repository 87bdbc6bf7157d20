"""The result of a rehearsal as a table on the terminal, one column for each set of thresholds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from textwrap import fill

from service.rehearsal import CAUTION
from service.rehearsal.cohort import Plan
from service.rehearsal.parameters import ParameterMark, Parameters
from service.rehearsal.results import Comparison, Summary
from service.rehearsal.shares import Change, Share, Spread
from service.rules.words import count

_WIDTH = 110
_LABEL, _CELL = 58, 26
_NONE = "-"

_EXPLAINED = (
    "Shares of all cases in the first block, of the retests in the others; 95 % intervals in brackets. They show the "
    "error of drawing finitely many cases. How wrong the model itself may be they do not show: most of its numbers are "
    "invented (airway-relay rehearse --parameters). Weeks are a median with its quartiles, over the cases that came up. "
    "«Truly» means by the simulated AHI itself, which no clinician sees. A retest follows in the week in which the "
    "rules ask for it."
)


def table(plan: Plan, summaries: Sequence[Summary], comparison: Comparison | None) -> str:
    """The whole answer as text."""
    lines = [fill(CAUTION.upper(), _WIDTH), ""]
    lines.append(
        f"{plan.cases:,} simulated cases, seed {plan.seed}, each followed for at most {count(plan.weeks, 'week')}. "
        f"Every decision is the service's own."
    )
    letters = "AB"
    for letter, summary in zip(letters, summaries, strict=False):
        sets = "; ".join(summary.changed) or "no threshold changed"
        lines.append(fill(f"{letter} = {summary.name}: {sets}", _WIDTH, subsequent_indent="    "))
    lines += ["", _row("", *(letters[i] for i in range(len(summaries)))).rstrip()]
    lines += _blocks(plan, summaries)
    if comparison:
        lines += _compared(plan, comparison)
    return "\n".join([*lines, "", fill(_EXPLAINED, _WIDTH)])


def parameter_table(parameters: Parameters) -> str:
    """Every number of the model with its mark and source."""
    held = parameters.all()
    invented = sum(p.mark is ParameterMark.INVENTED for p in held)
    head = f"{len(held)} numbers stand behind the simulation; {invented} of them are invented."
    lines = [fill(CAUTION.upper(), _WIDTH), "", head, ""]
    for p in held:
        lines.append(f"{p.name:<26}{p.value:>7g} {p.unit:<13}{p.mark:<10} {p.meaning}")
        if p.source != "invented":
            lines.append(f"{'':<57}  {p.source}")
    return "\n".join(lines)


def _blocks(plan: Plan, summaries: Sequence[Summary]) -> list[str]:
    def each(label: str, cell: Callable[[Summary], str]) -> str:
        return _row(label, *(cell(s) for s in summaries))

    lines = [
        each("Came up for a retest", lambda s: share(s.retested)),
        each("Never did: dropped out", lambda s: share(s.dropped_out)),
        each(f"Never did: still waiting after week {plan.weeks}", lambda s: share(s.still_waiting)),
        "",
        each("Weeks until the retest", lambda s: weeks(s.weeks)),
        each("  cases drawn as without benefit", lambda s: weeks(s.weeks_without_benefit)),
        each("Tested with symptoms unsettled", lambda s: share(s.at_limit)),
    ]
    for i, item in enumerate(summaries[0].by_criterion):
        lines += [
            "",
            item.name,
            each("  the retest finds it", lambda s, i=i: share(s.by_criterion[i].found)),
            each("  truly so at that setting", lambda s, i=i: share(s.by_criterion[i].truly)),
            each(
                "  truly so, but the one night misses it", lambda s, i=i: share(s.by_criterion[i].truly_but_not_found)
            ),
            each("  found, but not truly so", lambda s, i=i: share(s.by_criterion[i].found_but_not_truly)),
            each("  weeks at such settings before the retest", lambda s, i=i: weeks(s.by_criterion[i].waited)),
        ]
    return lines


def _compared(plan: Plan, comparison: Comparison) -> list[str]:
    found = zip(("AHI under 5", "AHI under 10 and halved", "AHI halved"), comparison.found, strict=True)
    return [
        "",
        f"B against A, the same {plan.cases:,} patients with the same luck",
        _row("  comes up for a retest", change(comparison.retested)),
        *(_row(f"  comes up, and the retest finds {name}", change(item)) for name, item in found),
        _row("  weeks later, cases that come up under both", weeks(comparison.weeks_later)),
        _row("  of these: sooner under B", share(comparison.sooner)),
        _row("  of these: later under B", share(comparison.later)),
    ]


def share(item: Share) -> str:
    """A share in per cent with its interval: `91.1 % (89.2 to 92.7)`."""
    if item.value is None or item.interval is None:
        return _NONE
    low, high = item.interval
    return f"{item.value:.1%} ({low * 100:.1f} to {high * 100:.1f})".replace("%", " %")


def change(item: Change) -> str:
    """A difference in percentage points with its interval: `+1.2 points (0.4 to 2.0)`."""
    low, high = item.interval
    return f"{item.difference * 100:+.1f} points ({low * 100:+.1f} to {high * 100:+.1f})"


def weeks(item: Spread) -> str:
    """A median with its quartiles: `6 (5 to 8)`."""
    if item.median is None:
        return _NONE
    return f"{item.median:g} ({item.lower:g} to {item.upper:g})"


def _row(label: str, *cells: str) -> str:
    return f"{label:<{_LABEL}}" + "".join(f"{cell:<{_CELL}}" for cell in cells).rstrip()
