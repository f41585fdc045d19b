"""How do a measurement, a verdict and a barrier look on a page?"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from html import escape
from typing import Any

import streamlit as st

from diagnose.culprits.catalogue import catalogue, group_words
from diagnose.culprits.old_names import name_of
from diagnose.culprits.verdict import Reason, Verdict
from diagnose.diagnosis import Diagnosis
from diagnose.figures import figure, length, percent
from diagnose.measure.record import Measurement
from diagnose.protect.requirement import Requirement, in_few_words
from diagnose.protect.sources import SAY_IT_BY_NAME, source_words, sources
from diagnose.report.plain import barrier_line, sized_line
from diagnose.screens.look import literal
from diagnose.signs import vocabulary

_BARS = 4
_IN_BRACKETS = re.compile(r" \([^)]*\)")
_WHILE_ASKED, _GLANCE = 12, 45  # words of advice on the first screen: our choice
_SHORT = 16  # letters; fit on a line at twice the type size on a narrow phone
_TOLD = 0.05  # change of the log odds from which a sign is shown [nat]


def hand_over(where: Any, label: str, data: str | bytes | Callable[[], str | bytes], name: str, kind: str) -> None:
    """A button that saves a file on the device.

    The page is not drawn anew: a second click, on a button just being drawn, is lost.

    Parameters
    ----------
    where
        The page or a column of it [no unit].
    label
        Of the button [no unit].
    data
        The file's content, or what makes it when the button is pressed [no unit].
    name
        Of the file [no unit].
    kind
        Its media type [no unit].
    """
    where.download_button(label, data, name, kind, width="stretch", on_click="ignore")


def figures_of(measurement: Measurement, inches: bool) -> None:
    """The measured quantities as a table, each with its uncertainty.

    Parameters
    ----------
    measurement
        Of one picture, each sign in its own unit.
    inches
        Are lengths shown in inches and feet, else in millimetres? [no unit]
    """
    if measurement.measured:
        _table([(vocabulary()[name].label if name in vocabulary() else name.replace("_", " "), figure(name, sign, inches))
                for name, sign in measurement.measured.items()])


def in_short(verdict: Verdict) -> tuple[str, float]:
    """What the verdict says in the fewest words, and its strength: the share of what leads, or of the likeliest kind.

    Parameters
    ----------
    verdict
        Of one wound [no unit].

    Returns
    -------
    words, strength : str, float
        The strength is 0 to 1, no unit.
    """
    if verdict.leading is not None:
        share = verdict.probability(verdict.leading)
        return f"{name_of(verdict.leading)} {percent(share)}", share
    kind, share = max(verdict.groups.items(), key=lambda item: item[1])
    return f"cannot tell, {group_words()[kind]} {percent(share)}", share


def headline_of(verdict: Verdict, before: tuple[str, float] | None = None) -> None:
    """The verdict in one line with its strength as a bar.

    Parameters
    ----------
    verdict
        Of one wound [no unit].
    before
        As `in_short` gave it before the last answer; None before the first [no unit].
    """
    words, share = in_short(verdict)
    mark = moved = ""
    if before is not None:
        mark = f'<u style="left:{100 * before[1]:.1f}%"></u>'
        same = "That changed little." if before[0] == words else f"Before: {before[0]}."
        moved = f"<small>{escape(same)}</small>"
    told = f'{escape(verdict.statement)}<span class="strength"><i style="width:{100 * share:.1f}%"></i>{mark}</span>{moved}'
    # a figure and its sign stay on one line
    st.html(f'<div class="verdict{"" if verdict.leading else " open"}" role="status">{told.replace(" %", "&nbsp;%")}</div>')


def now_of(found: Diagnosis, asks: bool, inches: bool = False) -> None:
    """What to do now, with the caution about doing it.

    Parameters
    ----------
    found
        Of one wound [no unit].
    asks
        Does the question above wait for an answer? [no unit]
    inches
        Are lengths shown in inches and feet, else in millimetres? [no unit]
    """
    if found.find_out_first:
        words = "Do not buy a barrier yet: answer the question first." if asks else found.settle_first
        caution = ""
    else:
        bare = _IN_BRACKETS.sub("", " ".join(found.barrier.instead))  # the sources stand where it is told in full
        instead = _whole_sentences(bare, _WHILE_ASKED if asks else _GLANCE)
        words = sized_line(found.barrier, inches) if found.barrier.kind else instead or barrier_line(found.barrier)
        caution = in_few_words(found.barrier.cautions[0]) if found.barrier.cautions else ""
    small = f"<small>\u26a0 {escape(caution)}</small>" if caution else ""
    st.html(f'<p class="now"><b>What to do now.</b> {escape(words)}{small}</p>')


def _whole_sentences(words: str, most: int) -> str:
    """The first sentences, as many as have at most so many words together, and always one; the rest is told further down."""
    sentences, told = words.split(". "), 1
    while told < len(sentences) and len(". ".join(sentences[: told + 1]).split()) <= most:
        told += 1
    return ". ".join(sentences[:told]).removesuffix(".") + "." if words else ""


def grounds_of(verdict: Verdict) -> None:
    """How likely each kind is, what speaks for and against the likeliest, and what would settle it.

    Parameters
    ----------
    verdict
        Of one wound [no unit].
    """
    st.html("".join(_kinds(verdict)))
    told = [reason for reason in verdict.reasons if abs(reason.weight) > _TOLD]
    if told:
        target = verdict.leading if verdict.leading is not None else verdict.first
        name = name_of(target)
        st.markdown(f"**What speaks for {literal(name)}, and what against**")
        st.caption("How many times each sign raises (\u00d7, to the right) or lowers (\u00f7, to the left) the odds.")
        most = max(abs(reason.weight) for reason in told)
        st.html("".join(_reason(reason, most) for reason in sorted(told, key=lambda reason: -reason.weight)))
    if verdict.would_change:
        st.markdown("**It would change if**\n" + "\n".join(f"- {literal(words)}" for words in verdict.would_change))
    st.caption(literal(verdict.where))
    for words in verdict.moved_by:
        st.caption(f"Before any sign was looked at, this was {literal(words)}.")
    if verdict.warning:
        st.warning(verdict.warning)
    st.caption(verdict.settle)


def _kinds(verdict: Verdict) -> Iterator[str]:
    """A bar for each of the likeliest kinds, with its members under it where it has several."""
    ranked = sorted(verdict.groups.items(), key=lambda item: -item[1])
    for place, (kind, share) in enumerate(ranked[:_BARS]):
        yield _bar(group_words()[kind], share, "second" if place else "")
        members = [key for key in verdict.culprits if catalogue().groups[key] == kind]
        if len(members) > 1:
            for key in sorted(members, key=lambda key: -verdict.culprits[key])[:_BARS]:
                yield _bar(name_of(key), verdict.culprits[key], "second" if place else "", " inside")
    yield _bar("all others", sum(share for _, share in ranked[_BARS:]), "rest")


def _bar(name: str, share: float, kind: str, inside: str = "") -> str:
    return (f'<div class="share{inside}"><span>{escape(name)}</span><span class="bar"><i class="{kind}" '
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
    words = escape(reason.words).replace(" %", "&nbsp;%")
    return (f'<div class="share"><span>{words}</span><span class="bar" role="img" aria-label="'
            f'{"for" if for_it else "against"} it"><i class="{"" if for_it else "second"}" style="{style}"></i></span>'
            f"<b>{told}</b></div>")


def advice_of(found: Diagnosis, inches: bool) -> None:
    """The barrier's figures, cautions and sources, folded away: of the one advised, or of what would suit.

    Parameters
    ----------
    found
        Of one wound [no unit].
    inches
        Are lengths shown in inches and feet, else in millimetres? [no unit]
    """
    if found.barrier.kind is None and found.find_out_first:
        return
    advised = not found.find_out_first
    to_build = "How to build it, cautions" if found.barrier.kind else "Cautions and sources"
    with st.expander(to_build if advised else "What would suit if the likeliest did it",
                     key="advice" if advised else "would_suit"):
        st.markdown(f"**{barrier_line(found.barrier)}**")
        _barrier(found.barrier, inches)
        _sources(found.barrier)


def _barrier(barrier: Requirement, inches: bool) -> None:
    """The barrier's figures with their sources, what it leaves open, cautions."""
    for advice in barrier.instead:
        st.info(advice)
    rows = [(name, length(what.value_mm, inches)) for name, what in barrier.figures().items()]
    if barrier.base:
        rows.append(("at the ground", barrier.base))
    if rows:
        _table(rows)
    if barrier.leaves_open:
        st.markdown("**Does not stop** " + ", ".join(barrier.leaves_open))
    for line in barrier.also:
        st.markdown(f"**Also:** {line}")
    if barrier.cautions:
        st.warning("**Take care**\n" + "\n".join(f"- {line}" for line in barrier.cautions))


def _sources(barrier: Requirement) -> None:
    if barrier.figures():
        st.markdown("**Where the figures come from, and who disagrees**")
        for name, what in barrier.figures().items():
            st.markdown(literal(f"{name} ({sources()[what.source]['called']}): {what.note or 'no disagreement found'}"))
        for line in barrier.fails:
            st.markdown(f"**Fails:** {line}")
        named = dict.fromkeys(what.source for what in barrier.figures().values())  # each once
        st.caption("\n".join(f"- {literal(source_words(key))}" for key in named if key not in SAY_IT_BY_NAME))


def lengths_of(lengths_mm: Mapping[str, float], inches: bool) -> None:
    """Lengths of a barrier as a table, by name.

    Parameters
    ----------
    lengths_mm
        Name -> length [mm].
    inches
        Are lengths shown in inches and feet, else in millimetres? [no unit]
    """
    if lengths_mm:
        _table([(name, length(mm, inches)) for name, mm in lengths_mm.items()])


def _table(rows: list[tuple[str, str]]) -> None:
    st.html('<table class="figures"><tbody>'
            + "".join(f"<tr><td>{escape(name)}</td><td>{', '.join(map(_whole, value.split(', ')))}</td></tr>"
                      for name, value in rows)
            + "</tbody></table>")


def _whole(words: str) -> str:
    """Words that no end of a line parts, where they are few: a figure from its unit."""
    return f'<span class="whole">{escape(words)}</span>' if len(words) <= _SHORT else escape(words)
