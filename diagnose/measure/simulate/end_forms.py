"""How are clean, half and torn ends told apart? The fit behind `measure/end_form.yaml`.

Multinomial logistic regression with a ridge on simulated ends on the card, a third of each form. Prints the YAML and
how well it does on other seeds: `python -m diagnose.measure.simulate.end_forms`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import cycle

import cv2
import numpy as np
import yaml

from diagnose.measure.end_form import FORMS, features
from diagnose.measure.severed_end import find_stems, light_at, see_end
from diagnose.measure.simulate.twig import any_setting, picture_of
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card

FITTED_ON, JUDGED_ON = range(60_000, 60_900), range(70_000, 70_600)
RIDGE = 2.0


def simulated_ends(seeds: Iterable[int]) -> Iterator[tuple[str, dict[str, float]]]:
    """Form and features of each simulated end that is found."""
    for seed, kind in zip(seeds, cycle(FORMS), strict=False):  # the first seed is a multiple of three
        picture = read_picture(picture_of(any_setting(seed, kind))[0], f"{seed}.jpg")
        plane = find_card(picture)
        for stem in find_stems(picture, plane)[:1]:
            seen = see_end(picture, plane, stem)
            if seen is not None:
                yield kind, features(seen.end, seen.pixel, light_at(seen))


def fit(scaled: np.ndarray, form: np.ndarray, ridge: float = RIDGE) -> np.ndarray:
    """Weights, (1 + features, 2), of clean and half against torn; the first row the intercepts."""
    from scipy.optimize import minimize

    x = np.column_stack([np.ones(len(scaled)), scaled])
    one = np.eye(3)[form]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(-1, 2)
        share = shares(x, weights)
        slope = x.T @ (share - one)[:, :2]
        slope[1:] += 2 * ridge * weights[1:]
        return float(-np.log((share * one).sum(axis=1)).sum() + ridge * (weights[1:] ** 2).sum()), slope.ravel()

    return np.asarray(minimize(loss, np.zeros(2 * x.shape[1]), jac=True, method="L-BFGS-B").x).reshape(-1, 2)


def shares(x: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """(n, 3) probabilities."""
    scores = np.column_stack([x @ weights, np.zeros(len(x))])
    odds = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(odds / odds.sum(axis=1, keepdims=True))


def _main() -> None:
    cv2.setNumThreads(1)
    (form, x, names), (form_2, x_2, _) = (_table(simulated_ends(seeds)) for seeds in (FITTED_ON, JUDGED_ON))
    mean, spread = x.mean(axis=0), x.std(axis=0)
    weights = fit(np.clip((x - mean) / spread, -4, 4), form)
    model = {"features": names, "mean": mean.round(4).tolist(), "spread": spread.round(4).tolist()}
    model["intercept"] = dict(zip(FORMS[:2], weights[0].round(3).tolist(), strict=True))
    model["weights"] = dict(zip(FORMS[:2], weights[1:].T.round(3).tolist(), strict=True))
    told = shares(np.column_stack([np.ones(len(x_2)), np.clip((x_2 - mean) / spread, -4, 4)]), weights)
    print(judged(told, form_2))
    print(yaml.safe_dump(model, sort_keys=False, width=120, default_flow_style=None))


def _table(ends: Iterable[tuple[str, dict[str, float]]]) -> tuple[np.ndarray, np.ndarray, list[str]]:
    rows = list(ends)
    return (np.array([FORMS.index(form) for form, _ in rows]), np.array([list(seen.values()) for _, seen in rows]),
            list(rows[0][1]))


def judged(told: np.ndarray, form: np.ndarray) -> str:
    """How often the likeliest form is the true one, and how often a clean or torn end was surely called the other."""
    right = float((told.argmax(axis=1) == form).mean())
    wrong = ((told[:, 2] > 0.9) & (form == 0)) | ((told[:, 0] > 0.9) & (form == 2))
    sure = (told[:, [0, 2]].max(axis=1) > 0.9).sum()
    return (
        f"# {len(form)} others: {100 * right:.0f} % named rightly; {sure} called clean or torn with over 0.9, "
        f"{wrong.sum()} of them the other of the two"
    )


if __name__ == "__main__":
    _main()
