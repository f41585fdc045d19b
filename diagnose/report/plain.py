"""How does a diagnosis, or the log, read as plain text on a terminal or in a letter?"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from diagnose.culprits.ask import PLACE, question_of
from diagnose.culprits.old_names import name_of
from diagnose.figures import figure, in_inches, length, percent
from diagnose.protect.sources import called_by_name
from diagnose.signs import vocabulary

if TYPE_CHECKING:
    import pandas as pd

    from diagnose.diagnosis import Diagnosis, Wounds
    from diagnose.fieldlog.deleted import Deleted
    from diagnose.protect.requirement import Requirement

_WIDTH = 96


def diagnosis_as_text(found: Diagnosis, inches: bool = False) -> str:
    """The diagnosis as lines: what was measured, what bit it and why, what stops it.

    Parameters
    ----------
    found
        The diagnosis of one photo, or of answers [no unit].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    """
    blocks = []
    if found.picture is not None:
        blocks.append(_measured(found, inches))
    blocks += [_verdict(found), advice_lines(found, inches)]
    return "\n\n".join("\n".join(block) for block in blocks)


def wounds_as_text(found: Wounds, inches: bool = False) -> str:
    """Several wounds: each one's verdict, who is at work, and the one barrier against them all.

    Parameters
    ----------
    found
        Several wounds, judged each and together [no unit].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    """
    blocks = [[f"Wound {number}", *_verdict(one)] for number, one in enumerate(found.each, 1)]
    blocks += [[found.together.statement], advice_lines(found, inches)]
    return "\n\n".join("\n".join(block) for block in blocks)


def _measured(found: Diagnosis, inches: bool) -> list[str]:
    assert found.picture is not None
    lines = [found.picture.name]
    if found.plane is not None:
        plane = found.plane
        lines.append(f"  {plane.kind} found: {plane.markers} markers, seen {plane.view_angle_deg:.0f}° from straight above")
    for name, sign in found.measurement.measured.items():
        lines.append(f"  {vocabulary()[name].label if name in vocabulary() else name:26} {figure(name, sign, inches)}")
    if not found.measurement.measured:
        lines += [f"  not measured: {reason}" for reason in dict.fromkeys(found.measurement.not_measured.values())]
    lines += [f"  next time: {remark}" for remark in found.measurement.remarks]
    return lines


def _verdict(found: Diagnosis) -> list[str]:
    bars = [f"  {name_of(key)[:40]:40} {percent(share):>10}  {'#' * round(30 * share)}"
            for key, share in found.verdict.ranked[:5]]
    return [found.verdict.statement, *bars, *verdict_lines(found)]


def verdict_lines(found: Diagnosis) -> list[str]:
    """What speaks for and against, where it is, and what is worth asking next.

    Parameters
    ----------
    found
        Of a photo or of answers [no unit].
    """
    verdict = found.verdict
    lines: list[str] = []
    for heading, sign in (("for", 1), ("against", -1)):
        told = [reason.words for reason in verdict.reasons if sign * reason.weight > 0.05]
        if told:
            lines += _wrapped(f"  {heading}: ", "; ".join(told))
    lines += _wrapped("  place: ", verdict.where)
    for words in verdict.moved_by:
        lines += _wrapped("  prior: ", words)
    if verdict.warning:
        lines += _wrapped("  ", verdict.warning)
    asked = verdict.next_question
    if asked is not None:
        given_by = "option --region" if asked == PLACE else f"sign: {asked}"
        lines += _wrapped("  best next question: ", f"{question_of(asked)} ({given_by})")
    if verdict.leading is None:
        lines += _wrapped("  ", verdict.settle)
    return lines


def advice_lines(found: Diagnosis | Wounds, inches: bool = False) -> list[str]:
    """The barrier with its sizes and cautions; before there is evidence for one, what to find out, and only its kind.

    Parameters
    ----------
    found
        Of one wound, or of several together [no unit].
    inches
        Whether lengths are told in inches and feet [no unit].
    """
    if not found.find_out_first:
        return _barrier(found.barrier, inches)
    lines = _wrapped("", found.find_out_first)
    if found.barrier.kind is not None:
        suits = barrier_line(found.barrier).removeprefix("Barrier: ").removesuffix(".")
        lines += _wrapped("  ", f"What would suit if the likeliest did it: {suits}. Its sizes are told once it is clearer; "
                                "--json holds them.")
    return lines


def _barrier(barrier: Requirement, inches: bool) -> list[str]:
    lines = [barrier_line(barrier)]
    for name, what in barrier.figures().items():
        source = called_by_name(f"{what.source} [{what.tag}]")
        lines.append(f"  {name:26} {length(what.value_mm, inches):>9}   source: {source}")
    if barrier.base:
        lines.append(f"  {'at the ground':26} {barrier.base}")
    if barrier.leaves_open:
        lines += _wrapped("  does not stop: ", ", ".join(barrier.leaves_open))
    for heading, told in (("", barrier.instead), ("also: ", barrier.also), ("fails: ", barrier.fails),
                          ("caution: ", barrier.cautions)):
        for line in told:
            lines += _wrapped(f"  {heading}", called_by_name(in_inches(line) if inches else line))
    return lines


def barrier_line(barrier: Requirement) -> str:
    """The barrier in one sentence.

    Parameters
    ----------
    barrier
        The barrier that is advised [no unit].
    """
    if barrier.kind is None:
        return "Barrier: none helps against this."
    fine = ", with finer mesh round the base" if barrier.fine_opening is not None else ""
    return f"Barrier: {barrier.kind}{fine}, against {' and '.join(barrier.stops)}."


def sized_line(barrier: Requirement, inches: bool = False) -> str:
    """The barrier in one sentence with what it is bought by: its least height and its widest openings.

    Parameters
    ----------
    barrier
        The barrier that is advised [no unit].
    inches
        Whether lengths are told in inches and feet [no unit].
    """
    told = []
    if barrier.height is not None and barrier.opening is not None:
        told += [f"at least {length(barrier.height.value_mm, inches, 'least')} high",
                 f"openings at most {length(barrier.opening.value_mm, inches, 'most')}"]
    if barrier.fine_top is not None and barrier.fine_opening is not None:
        told += [f"the finer mesh {length(barrier.fine_top.value_mm, inches, 'least')} high, at most "
                 f"{length(barrier.fine_opening.value_mm, inches, 'most')}"]
    return barrier_line(barrier).removesuffix(".") + (f": {', '.join(told)}." if told else ".")


LISTED = ("id", "taken_at", "site", "plant", "leading", "lat", "lon")  # fields that a listing shows


def observation_lines(parts: Iterable[pd.DataFrame]) -> Iterator[str]:
    """The log's observations, a line each, with a heading; frame by frame, as the log gives them.

    Parameters
    ----------
    parts
        Observations, in frames one after the other [no unit].
    """
    none = True
    for part in parts:
        for key, when, site, plant, leading, lat, lon in zip(*(part[name].tolist() for name in LISTED), strict=True):
            if none:
                yield f"{'id':8}  {'taken':16}  {'site':16}  {'plant':10}  {'verdict':28}  place"
            none = False
            place = "" if lat is None or lat != lat else f"{lat:.5f}, {lon:.5f}"
            verdict = name_of(leading) if isinstance(leading, str) else "cannot tell yet"
            taken = when[:16].replace("T", " ") if isinstance(when, str) else ""
            yield f"{key[:8]:8}  {taken:16}  {site[:16]:16}  {plant[:10]:10}  {verdict[:28]:28}  {place}".rstrip()
    if none:
        yield "The log holds no such observation."


def deleted_lines(found: Iterable[Deleted]) -> Iterator[str]:
    """Records of other kinds that are marked as deleted, a line each.

    Parameters
    ----------
    found
        What is marked as deleted [no unit].
    """
    for one in found:
        yield f"{one.id[:8]}  {one.kind}  {one.words}  deleted {one.at[:10]}{f' by {one.by}' if one.by else ''}"


def _wrapped(start: str, text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=start, subsequent_indent=" " * len(start))
