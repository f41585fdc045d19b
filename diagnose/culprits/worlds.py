"""What would people see and answer, if the model were right, or if the world differed from it as far as our tables may?

Wounds are drawn with their maker, who else is about, and an answer to every question, some of them misread. Drawn from
the model itself they prove the arithmetic only; from worlds that differ they show how wrong verdicts get where the
tables, the misreading and the presence are wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.culprits.ask import fits, questions
from diagnose.culprits.catalogue import NOT_LISTED, TRACES, Catalogue, catalogue
from diagnose.culprits.here import Where, place_from, winters_of
from diagnose.culprits.likelihood import CUT_SIGNS, HEIGHT_SIGNS, MARK_SIGNS, misreading, raw_group
from diagnose.culprits.prior import Start, start_of
from diagnose.culprits.reach import depths_of, snow_table
from diagnose.culprits.tables import support, words
from diagnose.given import MOST_SEED, a_whole
from diagnose.signs import Answer, Several, Sign, Word, vocabulary

# how loosely a table is drawn round ours, as the weight of a Dirichlet, by what it rests on; our choice
WEIGHT = {"put so": 400.0, "counted": 120.0, "several": 50.0, "one": 20.0, "memory": 8.0}
_FIRST = ("wound", "season", "past_snow", "position")  # drawn before the rest, which hang on them


@dataclass(frozen=True)
class World:
    """How far a world differs from the model.

    Parameters
    ----------
    loose
        Are tables drawn anew round ours? [no unit]
    misread
        Factor on how often answers are misread [no unit].
    about
        Factor on the chance that others are about [no unit].
    """

    loose: bool = False
    misread: float = 1.0
    about: float = 1.0


THE_MODELS = World()
OTHERS = (World(loose=True, misread=2.0, about=0.5), World(loose=True, misread=2.0, about=2.0))


@dataclass(frozen=True)
class Wound:
    """A drawn wound.

    Parameters
    ----------
    maker, place
        Who made it, and where [no unit].
    answers
        Sign -> the answer to every question that makes sense for it [no unit].
    """

    maker: str
    place: Where
    answers: Mapping[str, Sign]


def draw_wounds(number: int, places: tuple[Where, ...], seed: int, world: World = THE_MODELS) -> list[Wound]:
    """Wounds of a world, each at one of the places in turn.

    Parameters
    ----------
    number
        How many, 0 to 1,000,000 [no unit].
    places
        Where they are, as `here.place_from` reads them [no unit]; one or more.
    seed
        Of the random draws; the same seed gives the same wounds [no unit].
    world
        How far it differs from the model [no unit].

    Raises
    ------
    CannotUse
        For no place.
    """
    a_whole(number, "Wounds", 0, 1_000_000)
    draw = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    if not places:
        raise CannotUse("Wounds are drawn at one place or more.")
    known = catalogue()
    rows = {sign: _drawn_table(known, sign, table, draw) if world.loose else table for sign, table in known.tables.items()}
    return [_draw(known, rows, places[one % len(places)], draw, world) for one in range(number)]


def _drawn_table(known: Catalogue, sign: str, table: np.ndarray, draw: np.random.Generator) -> np.ndarray:
    """(C, choices) another table, as far from ours as what ours rests on allows."""
    found = table.copy()
    for row, (key, act) in enumerate(known.causes):
        if not np.isnan(table[row, 0]):
            rows = known.raw[key]["acts"][act].get(sign)
            weight = WEIGHT[support(rows).grade] if rows else WEIGHT["several"]
            found[row] = draw.dirichlet(np.maximum(weight * table[row], 1e-3))
    return found


def _draw(
    known: Catalogue, tables: Mapping[str, np.ndarray], place: Where, draw: np.random.Generator, world: World
) -> Wound:
    there = place_from(place)
    start = start_of(known, there, {})
    prior = start.rates[known.of] * known.share
    prior = np.where(np.array([key == NOT_LISTED for key, _ in known.causes]), 0.0, prior)
    cause = int(draw.choice(len(prior), p=prior / prior.sum()))
    answers: dict[str, Sign] = {}
    latent = {group: int(draw.choice(tables[group].shape[1], p=_row(tables[group], cause, prior)))
              for group in ("cut", "marks")}
    snow_mm, season = 0.0, None
    asked = sorted(questions(), key=lambda word: [*_FIRST, word.name].index(word.name))
    for word in asked:
        if word.name in TRACES or (not fits(word, answers) and word.name != "wound"):
            continue
        if word.name == "past_snow":
            snow_mm, answers[word.name] = _snow(season, winters_of(there), draw, world)
            continue
        if word.name == "snow_line" and snow_mm == 0:
            continue  # there was no surface to tell of
        chances = _chances(known, tables, word, cause, prior, latent, answers, snow_mm)
        if chances is not None:
            choice, share = str(draw.choice(list(word.choices), p=chances)), world.misread * _misread_share(known, word)
            answers[word.name] = Answer(_misread(word, choice, draw, share))
            season = Answer(choice) if word.name == "season" else season
    setting = {name: sign for name, sign in answers.items() if name == "setting"}
    answers.update(_traces(known, start_of(known, there, setting), int(known.of[cause]), draw, world))
    return Wound(known.causes[cause][0], place, answers)


def _snow(
    season: Sign | None, winters: Mapping[str, float], draw: np.random.Generator, world: World
) -> tuple[float, Answer]:
    """How deep the snow lay [mm], by season and place, and what a person says of it."""
    lying = depths_of({} if season is None else {"season": season}, None, winters)
    depth = float(draw.choice([each for each, _ in lying], p=[share for _, share in lying]))
    states = snow_table()["depth_mm"]
    state = next(state for state, depths in states.items() if depth in depths)
    return depth, Answer(_misread(vocabulary()["past_snow"], state, draw, world.misread * float(snow_table()["misread"])))


def _row(table: np.ndarray, cause: int, prior: np.ndarray) -> np.ndarray:
    """(choices,) a cause's own row, or the others' mean where it has none."""
    if not np.isnan(table[cause, 0]):
        return table[cause] / table[cause].sum()
    has = ~np.isnan(table[:, 0])
    mean = prior[has] @ table[has]
    return np.asarray(mean / mean.sum())


def _chances(
    known: Catalogue, tables: Mapping[str, np.ndarray], word: Word, cause: int, prior: np.ndarray,
    latent: Mapping[str, int], answers: Mapping[str, Sign], snow_mm: float,
) -> np.ndarray | None:
    """(choices,) chance of each answer, given the cause and the depth of snow [mm]; None for what is not drawn."""
    looks = known.class_looks
    if word.name in ("cut_form", "cut_slant"):
        look = list(looks["cut"]["classes"].values())[latent["cut"]]
        if word.name == "cut_form":
            told = np.array([float(look["form"].get(choice, 0.0)) for choice in word.choices])
        else:
            edges, slopes = np.array(looks["cut"]["slope_edges"][:-1]), np.array(look["seen_slope"], float)
            told = np.array([slopes[(edges >= low) & (edges < high)].sum()
                             for low, high in looks["cut"]["slant_of_slope"].values()])
        return np.asarray(told / told.sum())
    if word.name == "groove_look":
        return np.asarray(np.eye(len(word.choices))[latent["marks"]])
    if word.name in ("position", "snow_line"):
        found = []
        for choice in word.choices:
            told_height = raw_group(known, "height", {}, {**answers, word.name: Answer(choice)}, snow_mm, {"unknown": 1.0})
            assert told_height is not None
            raw, inside = told_height
            likely = np.where(np.isnan(raw), np.nanmean(raw), raw) * inside
            found.append(likely[cause])
        # where a misread height fits the cause nowhere, any answer is as likely as another
        return np.asarray(found) / sum(found) if sum(found) > 0 else np.full(len(found), 1 / len(found))
    if word.name not in tables:
        return None
    row = _row(tables[word.name], cause, prior)
    coarser = answers.get(word.kind_of)
    if isinstance(coarser, Answer):  # who takes it for a conifer names a conifer
        row = row * [word.kinds[choice] == coarser.choice for choice in word.choices]
    return np.asarray(row / row.sum())


def _misread_share(known: Catalogue, word: Word) -> float:
    """How often the model holds that an answer is misread; the height's misreading is drawn with it."""
    if word.name in HEIGHT_SIGNS:
        return 0.0
    for group, names in (("cut", CUT_SIGNS), ("marks", MARK_SIGNS)):
        if word.name in names:
            return float(known.class_looks[group]["misread"])
    return misreading(word.name)


def _misread(word: Word, choice: str, draw: np.random.Generator, share: float) -> str:
    if draw.random() < share:
        alike = [other for other in word.choices if other != choice and word.kinds.get(other) == word.kinds.get(choice)]
        return str(draw.choice(alike))
    return choice


def _traces(
    known: Catalogue, start: Start, maker: int, draw: np.random.Generator, world: World
) -> dict[str, Sign]:
    """What lies there, of who is about: every trace is looked for."""
    here = draw.random(len(known.keys)) < np.minimum(start.about[1] * world.about, 0.95)
    here[maker] = True
    here &= known.animal
    found: dict[str, list[str]] = {name: [] for name in TRACES}
    for (sign, choice), rates in known.left.items():
        missed = np.prod(np.where(here, 1 - rates[1], 1.0)) * (1 - words()["stray"][1])
        if draw.random() > missed:
            found[sign].append(choice)
    told: dict[str, Sign] = {}
    for sign, kinds in found.items():
        most = 1 if sign == "seen" else 2  # a person names one animal and two kinds of each trace at most; our choice
        named = [str(kind) for kind in draw.permutation(kinds)[:most]]
        complete = len(named) == len(kinds)
        told[sign] = (Answer("none") if not named else Answer(named[0]) if len(named) == 1 and not complete
                      else Several(tuple(named), complete))
    return told
