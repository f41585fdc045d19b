"""How does the check of the verdicts on published cases read on a terminal?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_CAMERA = 0.05  # change of the mean log score from which a measured sign is said to help; our choice


def check_as_text(found: Mapping[str, Any]) -> str:
    """The records of `culprits.check.check` as lines.

    Parameters
    ----------
    found
        As that gives it [no unit].
    """
    blocks = [_scores(found), _baselines(found), _reliability(found), _left_out(found), _camera(found)]
    return "\n\n".join("\n".join(block) for block in blocks)


def _share(k: int, n: int, interval: tuple[float, float]) -> str:
    return f"{k} of {n} ({100 * interval[0]:.0f} to {100 * interval[1]:.0f} %)"


def _scores(found: Mapping[str, Any]) -> list[str]:
    lines = [f"Verdicts on published cases, catalogue {found['catalogue']}. Intervals: Clopper-Pearson, 95 %."]
    labels = {
        "all": "all cases",
        "agreement": "agreement: the case's page fed the catalogue",
        "prediction": "prediction: its page did not",
        "kinds": "all cases, by kind of culprit",
        "read by another person": "all cases, read by another person",
    }
    for name, label in labels.items():
        if name in found:
            one = found[name]
            lines += [
                f"  {label}",
                f"    named first {_share(one['first'], one['cases'], one['first_interval'])}, within two "
                f"{_share(one['within_two'], one['cases'], one['within_two_interval'])}",
                f"    mean log score {one['log']:.2f}, Brier score {one['brier']:.2f}; largest probability of a wrong "
                f"culprit {one['worst']:.2f} ({one['worst_key']} in {one['worst_case']})",
            ]
    lines.append(f"  independent of the catalogue: {', '.join(found['independent']) or 'none'}")
    for miss in found["missed"]:
        lines.append(f"  missed: {miss['case']}, {miss['share']:.2f} against {miss['probability']:.2f} "
                     f"for {miss['given_to']}")
    return lines


def _baselines(found: Mapping[str, Any]) -> list[str]:
    lines = ["Against plain ways of naming (log score, ours less theirs; pages drawn again)"]
    for name, one in found["baselines"].items():
        lines.append(f"  {name}: {one['difference']:+.2f} ({one['low']:+.2f} to {one['high']:+.2f}), "
                     f"it names {one['first']} of {one['cases']} first")
    return lines


def _reliability(found: Mapping[str, Any]) -> list[str]:
    lines = ["What was stated, and how often it was right (too few cases to fit or claim anything)"]
    for row in found["reliability"]:
        lines.append(f"  stated {row['from']:.1f} to {row['to']:.1f}, mean {row['stated']:.2f}: right "
                     f"{_share(row['right'], row['cases'], row['interval'])}")
    return lines


def _left_out(found: Mapping[str, Any]) -> list[str]:
    left = found["left_out"]
    lines = ["Each culprit left out of the catalogue in turn: over 0.8 to another in "
             f"{_share(len(left['fooled']), left['cases'], left['interval'])}"]
    for name, one in left["fooled"].items():
        lines.append(f"  {name}: {one['probability']:.2f} to {one['given_to']}")
    return lines


def _camera(found: Mapping[str, Any]) -> list[str]:
    lines = ["Does the camera help? Mean log score with and without, in the cases that hold the sign"]
    for row in found["camera"]:
        gain = row["log_with"] - row["log_without"]
        verdict = "helps" if gain >= _CAMERA else "hurts" if gain <= -_CAMERA else "adds next to nothing"
        lines.append(f"  {row['sign']:28} {row['cases']:2d} cases: {row['log_with']:.2f} against {row['log_without']:.2f}, "
                     f"first {row['first_with']} against {row['first_without']}; {verdict}")
    return lines


def saved_as_text(saved: Mapping[str, float]) -> str:
    """The record of `culprits.observers.questions_saved` as lines.

    Parameters
    ----------
    saved
        As that gives it: shares, and numbers of questions [no unit].
    """
    lines = [
        f"Asking, with people before {saved['runs']:.0f} wounds drawn from the model with misreading:",
        f"  asking is over after a median of {saved['median']:.0f} questions, a mean of {saved['mean']:.1f}",
        f"  what was named then is still named after every question in {100 * saved['stays']:.0f} %"
        + (f" (what it is named for, in {100 * saved['same_need']:.0f} %)" if saved["same_need"] != saved["stays"] else ""),
        f"  and is then less likely than what is named after every question by {100 * saved['regret']:.1f} % on average",
        f"  it stops at 0.8 or more for a wrong group in {100 * saved['surely_wrong']:.1f} % (at most "
        f"{100 * saved['surely_wrong_at_most']:.0f} %)",
    ]
    if "shuffled" in saved:
        lines.append(f"  the same questions in a random order: {saved['shuffled']:.1f}")
    return "\n".join(lines)


def belief_as_text(found: Mapping[str, Any]) -> str:
    """The record of `culprits.believe.believe` as lines.

    Parameters
    ----------
    found
        As that gives it [no unit].
    """
    fit = found["c"]
    blocks = [
        ("(a) wounds drawn from the model itself: the arithmetic only", found["a"]),
        *((f"(b) another world: tables drawn round ours, misreading doubled, presence times {one['about']:g}", one)
          for one in found["b"]),
        (f"(c) published cases without their own source; they would be served best by a strength of {fit['best']:g}, "
         f"{fit['behind']:.2f} better than the one in use (standard error over sources {fit['error']:.2f})", fit),
    ]
    lines = ["How far can it be believed? Three checks that are never mixed"]
    for label, one in blocks:
        lines += [f"  {label}", f"    first {one['first']} of {one['cases']}, log score {one['log']:.2f}, Brier score "
                                f"{one['brier']:.2f}, 0.8 or more for another "
                                f"{_share(one['surely_wrong'], one['cases'], one['surely_wrong_interval'])}"]
        lines += [f"    stated {row['from']:.1f} to {row['to']:.1f}, mean {row['stated']:.2f}: right "
                  f"{_share(row['right'], row['cases'], row['interval'])}" for row in one["reliability"]]
    return "\n".join(lines)
