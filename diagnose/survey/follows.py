"""What follows for each target, of the whole ground and of each part of it?"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.survey.choosing import told_and_open, which_holds
from diagnose.survey.counted import sample_of
from diagnose.survey.decide import CANNOT, WAIT, Decision, decide
from diagnose.survey.estimate import nothing
from diagnose.survey.frame import of_sampled, words_of, words_of_any
from diagnose.survey.stopping import StoppingRule
from diagnose.survey.target import BROWSED, Target, asked_for, fitting


def decisions(frame: pd.DataFrame, every_visit: pd.DataFrame, targets: Sequence[Target], country: str,
              rule: StoppingRule | None, plots_in_all: int | None) -> tuple[tuple[Decision, ...], str]:
    """What follows for each target, see `decide`, own ones first, and what is to be given where none is known.

    Parameters
    ----------
    frame, every_visit : pandas.DataFrame
        The last visit, and all of them for targets that average years, see frame.py [each its own unit].
    targets, country, rule, plots_in_all : object
        As `summarise` takes them [no unit].
    """
    real = of_sampled(frame)
    real = real[real["tree"].notna()]
    species = [name for name in words_of(real, "species").unique() if name] if "species" in real.columns else []
    chosen, missing = list(targets), []
    unsaid: dict[tuple[Target, ...], list[str]] = {}
    for name in species or [""] if country else []:
        there, left = told_and_open(name, country, targets)
        chosen += [one for one in there if one not in chosen]
        if left:
            unsaid.setdefault(tuple(left), []).append(name)
        elif not fitting(name, country):
            missing.append(name)
    asked = [*(which_holds(among, ", ".join(names)) for among, names in unsaid.items()),
             *([asked_for(", ".join(missing), country)] if missing else [])]
    keys = ["site", "plot"]
    unreached = frame.groupby(keys).ngroups - of_sampled(frame).groupby(keys).ngroups
    found = []
    for target in chosen:
        try:
            sample = sample_of(target, every_visit if target.years > 1 else frame)
            found.append(decide(target, sample.first, sample.second, rule, sample.notes, plots_in_all, unreached=unreached))
        except CannotUse as reason:
            unit = "share" if target.kind == BROWSED else "trees/ha"
            found.append(Decision(target, CANNOT, str(reason), nothing(str(reason), unit=unit), None, None, None,
                                  rule or StoppingRule()))
    # what can be told stands before what cannot
    found.sort(key=lambda one: (one.target.tag != "own", one.verdict == CANNOT))
    return tuple(found), "" if chosen and not asked else " ".join(asked) or asked_for("", country)


def by_part(frame: pd.DataFrame, every_visit: pd.DataFrame, found: Sequence[Decision],
            rule: StoppingRule | None) -> dict[str, tuple[Decision, ...]]:
    """What follows in each part of the ground, for the targets that could be told of the whole: where to act.

    Each part is a survey of its own, which `decide` looks at by the same kind of rule without the number that was
    planned for the whole, and not before the whole may be looked at.

    Parameters
    ----------
    frame, every_visit : pandas.DataFrame
        As `decisions` takes them [each its own unit].
    found : sequence of Decision
        Of the whole [no unit].
    rule : StoppingRule or None
        Of the whole [no unit].
    """
    names = sorted(name for name in words_of(frame, "stratum").unique() if name) if words_of_any(frame, "stratum") else []
    targets = [one.target for one in found if one.verdict not in (CANNOT, WAIT)]
    if len(names) < 2:
        return {}
    of_part = StoppingRule((rule or StoppingRule()).kind)
    told: dict[str, tuple[Decision, ...]] = {}
    for name in names:
        made = []
        for target in targets:
            whole = every_visit if target.years > 1 else frame
            try:
                sample = sample_of(target, whole[words_of(whole, "stratum") == name])
                made.append(decide(target, sample.first, sample.second, of_part, sample.notes))
                if made[-1].verdict == CANNOT:
                    made.pop()
            except CannotUse:
                continue
        told[name] = tuple(made)
    return {name: made for name, made in told.items() if made}


def pooled_line(frame: pd.DataFrame) -> tuple[str, ...]:
    """A line that says on what pooling the parts rests, where there are several.

    Parameters
    ----------
    frame : pandas.DataFrame
        Of one visit [each its own unit].
    """
    if not words_of_any(frame, "stratum"):
        return ()
    parts = words_of(of_sampled(frame), "stratum")
    plots = of_sampled(frame).groupby(parts)[["site", "plot"]].apply(lambda rows: len(rows.drop_duplicates()))
    if len(plots) < 2:
        return ()
    many = ", ".join(f"{name or 'no part'} {count}" for name, count in plots.items())
    return (f"Parts are pooled plot by plot ({many} plots): figures of the whole are right where plots lie evenly over all "
            "of it, so that each part has plots as its area asks. Else go by the parts.",)
