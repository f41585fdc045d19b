"""How do a measurement, a verdict and a barrier look on a page?"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from html import escape
from typing import Any

import streamlit as st

from diagnose.culprits.old_names import name_of
from diagnose.culprits.verdict import Reason, Verdict
from diagnose.diagnosis import Diagnosis
from diagnose.figures import figure, length, percent
from diagnose.measure.record import Measurement
from diagnose.protect.requirement import Requirement, sources
from diagnose.report.plain import barrier_line
from diagnose.screens.look import literal
from diagnose.signs import vocabulary

_BARS = 4
_TOLD = 0.05  # change of the log odds from which a sign is shown [nat]


def hand_over(where: Any, label: str, data: str | bytes | Callable[[], str | bytes], name: str, kind: str) -> None:
    """A button that saves a file, of a media type, on the device.

    where : the page or a column of it. The page is not drawn anew: a second click, on a button just being drawn, is lost.
    """
    where.download_button(label, data, name, kind, width="stretch", on_click="ignore")


def figures_of(measurement: Measurement, inches: bool) -> None:
    """The measured quantities as a table, each with its uncertainty."""
    if measurement.measured:
        _table([(vocabulary()[name].label if name in vocabulary() else name.replace("_", " "), figure(name, sign, inches))
                for name, sign in measurement.measured.items()])


def verdict_of(verdict: Verdict) -> None:
    """The verdict: a sentence, bars, what speaks for and against it, what would settle it."""
    st.html(f'<p class="verdict{"" if verdict.leading else " open"}" role="status">{escape(verdict.statement)}</p>')
    ranked = verdict.ranked
    rows = [(name_of(key), share) for key, share in ranked[:_BARS]]
    rows.append(("all others", sum(share for _, share in ranked[_BARS:])))
    st.html("".join(_bar(name, share, place, len(rows)) for place, (name, share) in enumerate(rows)))
    told = [reason for reason in verdict.reasons if abs(reason.weight) > _TOLD]
    if told:
        target = verdict.leading if verdict.leading is not None else verdict.first
        name = name_of(target)
        st.markdown(f"**What speaks for {literal(name)}, and what against**")
        st.caption("How many times each sign raises (\u00d7, to the right) or lowers (\u00f7, to the left) the odds.")
        most = max(abs(reason.weight) for reason in told)
        st.html("".join(_reason(reason, most) for reason in sorted(told, key=lambda reason: -reason.weight)))
    for words in verdict.would_change:
        st.markdown(f"It would change if: {literal(words)}.")
    st.caption(literal(verdict.where))
    for words in verdict.moved_by:
        st.caption(f"Before any sign was looked at, this was {literal(words)}.")
    if verdict.warning:
        st.warning(verdict.warning)
    st.caption(verdict.settle)


def _bar(name: str, share: float, place: int, rows: int) -> str:
    kind = "rest" if place == rows - 1 else "second" if place else ""
    return (f'<div class="share"><span>{escape(name)}</span><span class="bar"><i class="{kind}" '
            f'style="width:{100 * share:.1f}%"></i></span><b>{percent(share)}</b></div>')


def _reason(reason: Reason, most: float) -> str:
    """A sign with its bar, to the right for the verdict and to the left against it, and what it does to the odds."""
    long = 50 * abs(reason.weight) / most
    odds = math.exp(min(abs(reason.weight), 9))
    factor = f"{odds:.0f}" if odds >= 10 else f"{odds:.1f}"
    for_it = reason.weight > 0
    times = "\u00d7" if for_it else "\u00f7"
    told = f"{times} {factor}"
    style = f"width:{long:.1f}%;margin-left:{50 if for_it else 50 - long:.1f}%"
    return (f'<div class="share"><span>{escape(reason.words)}</span><span class="bar" role="img" aria-label="'
            f'{"for" if for_it else "against"} it"><i class="{"" if for_it else "second"}" style="{style}"></i></span>'
            f"<b>{told}</b></div>")


def advice_of(found: Diagnosis, inches: bool) -> None:
    """The barrier; before there is evidence for one, what to find out first, with what would suit folded away."""
    if not found.find_out_first:
        st.subheader(barrier_line(found.barrier))
        _barrier(found.barrier, inches)
        _sources(found.barrier)
        return
    st.html(f'<p class="verdict open" role="status">{escape(found.find_out_first)}</p>')
    if found.barrier.kind is not None:
        with st.expander("What would suit if the likeliest did it", key="would_suit"):
            st.markdown(f"**{barrier_line(found.barrier)}**")
            _barrier(found.barrier, inches)


def _barrier(barrier: Requirement, inches: bool) -> None:
    """The barrier's figures with their sources, what it leaves open, cautions."""
    for advice in barrier.instead:
        st.info(advice)
    rows = [(f"{name} (source: {what.source})", length(what.value_mm, inches)) for name, what in barrier.figures().items()]
    if barrier.base:
        rows.append(("at the ground", barrier.base))
    if rows:
        _table(rows)
    if barrier.leaves_open:
        st.markdown("**Does not stop** " + ", ".join(name_of(key) for key in barrier.leaves_open))
    for line in barrier.also:
        st.markdown(f"**Also:** {line}")
    if barrier.cautions:
        st.warning("**Take care**\n" + "\n".join(f"- {line}" for line in barrier.cautions))


def _sources(barrier: Requirement) -> None:
    if barrier.figures():
        with st.expander("Where the figures come from, and who disagrees", key="figures_from"):
            for name, what in barrier.figures().items():
                source = sources()[what.source]
                st.markdown(f"**{name}**: {what.note or 'no disagreement found'}  \n{source['source']} "
                            f"({source['year']}); [{what.tag}]")
            for line in barrier.fails:
                st.markdown(f"**Fails:** {line}")


def lengths_of(lengths_mm: Mapping[str, float], inches: bool) -> None:
    """Lengths of a barrier [mm] as a table, by name."""
    if lengths_mm:
        _table([(name, length(mm, inches)) for name, mm in lengths_mm.items()])


def _table(rows: list[tuple[str, str]]) -> None:
    st.html('<table class="figures"><tbody>'
            + "".join(f"<tr><td>{escape(name)}</td><td>{escape(value)}</td></tr>" for name, value in rows)
            + "</tbody></table>")
