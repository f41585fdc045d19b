"""How do a measurement, a verdict and a barrier look on a page?"""

from __future__ import annotations

from html import escape

import streamlit as st

from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.verdict import Verdict
from diagnose.measure.record import Measurement
from diagnose.protect.requirement import Requirement, sources
from diagnose.report.figures import figure, length, percent
from diagnose.report.plain import barrier_line
from diagnose.signs import vocabulary

_BARS = 4


def figures_of(measurement: Measurement, inches: bool) -> None:
    """The measured quantities as a table, each with its uncertainty."""
    if measurement.measured:
        _table([(vocabulary()[name].label if name in vocabulary() else name.replace("_", " "), figure(name, sign, inches))
                for name, sign in measurement.measured.items()])


def verdict_of(verdict: Verdict) -> None:
    """The verdict: a sentence, bars, what speaks for and against it, what would settle it."""
    st.html(f'<p class="verdict{"" if verdict.leading else " open"}" role="status">{escape(verdict.statement)}</p>')
    ranked = sorted(verdict.culprits.items(), key=lambda item: -item[1])
    rows = [(catalogue().names[key], share) for key, share in ranked[:_BARS]]
    rows.append(("all others", sum(share for _, share in ranked[_BARS:])))
    st.html("".join(_bar(name, share, place, len(rows)) for place, (name, share) in enumerate(rows)))
    speaks_for = [reason.words for reason in verdict.reasons if reason.weight > 0.05]
    against = [reason.words for reason in verdict.reasons if reason.weight < -0.05]
    for heading, told in (("Speaks for it", speaks_for), ("Speaks against it", against)):
        if told:
            st.markdown(f"**{heading}**\n" + "\n".join(f"- {words}" for words in told))
    for words in verdict.moved_by:
        st.caption(f"Before any sign was looked at, this was {words}.")
    if verdict.warning:
        st.warning(verdict.warning)
    st.caption(verdict.settle)


def _bar(name: str, share: float, place: int, rows: int) -> str:
    kind = "rest" if place == rows - 1 else "second" if place else ""
    return (f'<div class="share"><span>{escape(name)}</span><span class="bar"><i class="{kind}" '
            f'style="width:{100 * share:.1f}%"></i></span><b>{percent(share)}</b></div>')


def barrier_of(barrier: Requirement, inches: bool) -> None:
    """The barrier: a sentence, its figures with their sources, what it leaves open, cautions."""
    st.subheader(barrier_line(barrier))
    for advice in barrier.instead:
        st.info(advice)
    rows = [(f"{name} (source: {what.source})", length(what.value_mm, inches)) for name, what in barrier.figures().items()]
    if barrier.base:
        rows.append(("at the ground", barrier.base))
    if rows:
        _table(rows)
    if barrier.leaves_open:
        st.markdown("**Does not stop** " + ", ".join(catalogue().names[key] for key in barrier.leaves_open))
    for line in barrier.also:
        st.markdown(f"**Also:** {line}")
    if barrier.cautions:
        st.warning("**Take care**\n" + "\n".join(f"- {line}" for line in barrier.cautions))
    if barrier.figures():
        with st.expander("Where the figures come from, and who disagrees"):
            for name, what in barrier.figures().items():
                source = sources()[what.source]
                st.markdown(f"**{name}**: {what.note or 'no disagreement found'}  \n{source['source']} "
                            f"({source['year']}); [{what.tag}]")
            for line in barrier.fails:
                st.markdown(f"**Fails:** {line}")


def _table(rows: list[tuple[str, str]]) -> None:
    st.html('<table class="figures"><tbody>'
            + "".join(f"<tr><td>{escape(name)}</td><td>{escape(value)}</td></tr>" for name, value in rows)
            + "</tbody></table>")
