"""How are clean, half and torn ends told apart? The fit behind `measure/end_form.yaml`.

Logistic regression in two stages, with a ridge, on simulated ends on the card, a third of each form: first whether each
edge is torn, which the simulator knows, then from the answers the form. Prints the YAML and how well it does on other
seeds: `python -m diagnose.validation.end_forms`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import yaml

from diagnose.measure.card_stems import find_stems
from diagnose.measure.end_form import ASKED, FORMS, answers, features, form_shares, mirrored, scaled, told
from diagnose.measure.severed_end import see_end
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.simulate.twig import any_setting, picture_of

FITTED_ON, JUDGED_ON = range(60_000, 61_800), range(70_000, 70_600)
RIDGE = {"asked": 8.0, "form": 1.0}
SIDE = 0.12  # what lies farther from the axis is a side of the end, the rest its middle [diameters]


@dataclass(frozen=True)
class Ends:
    """Simulated ends.

    Parameters
    ----------
    form, seen
        (n,) as in FORMS, and (n, features) [no unit].
    torn
        (n, 2, places across) are near rim and far outline torn? [no unit]
    """

    form: np.ndarray
    seen: np.ndarray
    torn: np.ndarray


def simulated_ends(seeds: Iterable[int]) -> Ends:
    """Those of the seeds' ends that are found.

    Parameters
    ----------
    seeds
        Of the pictures [no unit].
    """
    form, seen, torn = zip(*_each(seeds), strict=True)
    return Ends(np.array(form), np.array(seen), np.array(torn))


def _each(seeds: Iterable[int]) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    for seed in seeds:
        form = seed % 3
        data, truth = picture_of(any_setting(seed, FORMS[form]))
        picture = read_picture(data, f"{seed}.jpg")
        plane = find_card(picture)
        for stem in find_stems(picture, plane)[:1]:
            end = see_end(picture, plane, stem)
            if end is not None:
                yield form, features(end.end, end.look), truth.torn_edges


def fit(ends: Ends) -> dict[str, dict[str, np.ndarray]]:
    """Both stages: mean and spread of what goes in, weights (out, in), intercept (out,).

    Parameters
    ----------
    ends
        With their true forms [no unit].
    """
    seen = np.concatenate([ends.seen, mirrored(ends.seen)])
    asked = {"mean": seen.mean(axis=0), "spread": seen.std(axis=0)}
    answer = np.concatenate([_truths(ends.form, ends.torn), _truths(ends.form, ends.torn[:, :, ::-1])])
    values = scaled(seen, asked)
    asked |= _stage([regression(values, np.stack([1 - share, share], axis=1), RIDGE["asked"]) for share in answer.T])
    values = told(answers(asked, ends.seen))
    form = {"mean": values.mean(axis=0), "spread": values.std(axis=0)}
    # torn is the reference
    form |= _stage([regression(scaled(values, form), np.eye(3)[ends.form][:, [2, 0, 1]], RIDGE["form"])])
    return {"asked": asked, "form": form}


def _truths(form: np.ndarray, torn: np.ndarray) -> np.ndarray:
    """What the first stage is to answer, (n, 6), for the left side."""
    place = np.linspace(-0.5, 0.5, torn.shape[2])
    left, middle = place < -SIDE, np.abs(place) <= SIDE
    edges = [torn[:, edge][:, part].mean(axis=1) for part in (left, middle) for edge in (0, 1)]
    return np.stack([*edges, form > 0, form == FORMS.index("torn")], axis=1).astype(float)


def _stage(weights: list[np.ndarray]) -> dict[str, np.ndarray]:
    rows = np.concatenate(weights, axis=1).T
    return {"intercept": rows[:, 0], "weights": rows[:, 1:]}


def regression(values: np.ndarray, shares: np.ndarray, ridge: float) -> np.ndarray:
    """Weights, (1 + features, classes - 1), of each class against the first; the first row the intercepts.

    Parameters
    ----------
    values
        What goes in, (n, features) [no unit].
    shares
        True share of each class, (n, classes) [no unit].
    ridge
        Weight of the squared weights [no unit].
    """
    from scipy.optimize import minimize

    x = np.column_stack([np.ones(len(values)), values])
    classes = shares.shape[1]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(-1, classes - 1)
        scores = np.column_stack([np.zeros(len(x)), x @ weights])
        scores -= scores.max(axis=1, keepdims=True)
        logs = scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))
        slope = x.T @ (np.exp(logs) - shares)[:, 1:]
        slope[1:] += 2 * ridge * weights[1:]
        return float(-(shares * logs).sum() + ridge * (weights[1:] ** 2).sum()), slope.ravel()

    found = minimize(loss, np.zeros(x.shape[1] * (classes - 1)), jac=True, method="L-BFGS-B")
    return np.asarray(found.x).reshape(-1, classes - 1)


def judged(model: dict[str, dict[str, np.ndarray]], ends: Ends) -> str:
    """How often the likeliest form is the true one, and how often a clean or torn end was surely called the other.

    Parameters
    ----------
    model
        Of `fit` [no unit].
    ends
        Others than it was fitted to [no unit].
    """
    share, form = form_shares(model, ends.seen), ends.form
    right = share.argmax(axis=1) == form
    wrong = ((share[:, 2] > 0.9) & (form == 0)) | ((share[:, 0] > 0.9) & (form == 2))
    sure = (share[:, [0, 2]].max(axis=1) > 0.9).sum()
    each = ", ".join(f"{right[form == k].sum()} of {(form == k).sum()} {name}" for k, name in enumerate(FORMS))
    score = -np.log(share[np.arange(len(form)), form]).mean()
    return (
        f"# {len(form)} others: {100 * right.mean():.0f} % named rightly ({each}), mean logarithmic loss {score:.3f}; "
        f"{sure} called clean or torn with over 0.9, {wrong.sum()} of them the other of the two"
    )


def _as_data(stage: dict[str, np.ndarray], names: tuple[str, ...]) -> dict[str, object]:
    return {
        "mean": stage["mean"].round(4).tolist(),
        "spread": stage["spread"].round(4).tolist(),
        "intercept": dict(zip(names, stage["intercept"].round(3).tolist(), strict=True)),
        "weights": dict(zip(names, stage["weights"].round(3).tolist(), strict=True)),
    }


def _main() -> None:
    cv2.setNumThreads(1)
    model = fit(simulated_ends(FITTED_ON))
    print(judged(model, simulated_ends(JUDGED_ON)))
    data = {"asked": _as_data(model["asked"], ASKED), "form": _as_data(model["form"], FORMS[:2])}
    print(yaml.safe_dump(data, sort_keys=False, width=120, default_flow_style=None))


if __name__ == "__main__":
    _main()
