"""Gives a room's public functions good values, and nonsense in the place of one of them: what do they answer?"""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import random
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import fields, is_dataclass
from itertools import pairwise
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd

from diagnose.cannot_use import CannotUse

NUMBERS = (math.nan, math.inf, -math.inf, -1.0, 0.0, 1e-12, 0.5, 95.0, 1e9)
TEXTS = ("", " ", "castle", "nan", "-1", "a\nb", "\x00", "ü" * 300)
ORDERED = (("low", "value", "high"), ("least", "middle", "most"))
SPENT_S = 0.015  # on one function's nonsense, so that a room takes a few seconds
FEWEST, MOST = 2, 40  # times that a function is given nonsense
_TABLES = (pd.DataFrame, pd.Series)  # a cell that nobody filled is empty there


def public(room: ModuleType, without: Collection[str] = ()) -> dict[str, Callable[..., Any]]:
    """`module.function` -> each function of a room that no name marks as private, but for modules that only print."""
    modules = [importlib.import_module(f"{room.__name__}.{one.name}") for one in pkgutil.iter_modules(room.__path__)
               if one.name not in without]
    return {f"{module.__name__.rpartition('.')[2]}.{name}": each for module in modules for name, each in vars(module).items()
            if inspect.isfunction(inspect.unwrap(each)) and each.__module__ == module.__name__ and not name.startswith("_")}


def good_for(name: str, each: Callable[..., Any], given: Mapping[str, Any], special: Mapping[str, Mapping[str, Any]]
             ) -> dict[str, Any]:
    """A good value for each parameter of a function that has one, or that must be given."""
    own = special.get(name, {})
    return {one.name: own[one.name] if one.name in own else given[one.name]
            for one in inspect.signature(each).parameters.values()
            if one.name in own or one.name in given or one.default is one.empty}


def spoilt(value: Any, chance: random.Random) -> Any:
    """Something of the same kind as a good value that is none; the value itself where there is nothing to spoil."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int | float):
        odd = chance.choice(NUMBERS)
        return int(odd) if isinstance(value, int) and math.isfinite(odd) and odd == int(odd) else odd
    if isinstance(value, str):
        return chance.choice(TEXTS)
    if isinstance(value, np.ndarray) and value.dtype.kind in "fi" and value.size:
        return _array(value, chance)
    if isinstance(value, list | tuple) and value and not hasattr(value, "_fields"):
        if not isinstance(value[0], int | float | str | list | tuple | np.ndarray):
            return value
        told, how = list(value), chance.randrange(4)
        if how == 0:
            told = []
        elif how == 1:
            told = told[:-1]
        else:
            at = chance.randrange(len(told))
            told[at] = spoilt(told[at], chance)
        return type(value)(told)
    if isinstance(value, dict) and value and all(isinstance(one, int | float) for one in value.values()):
        key = chance.choice(list(value))
        if chance.random() < 0.3:
            return {**value, chance.choice(TEXTS): value[key]}
        return {} if chance.random() < 0.2 else {**value, key: spoilt(value[key], chance)}
    return value


def _array(value: np.ndarray, chance: random.Random) -> np.ndarray:
    how = chance.randrange(5)
    if how == 0:
        return value[:0]
    if how == 1:
        return value[:-1]
    told = value.astype(float).copy()
    told.flat[chance.randrange(told.size)] = chance.choice(NUMBERS)
    return told


def held(value: Any, passing: tuple[type, ...] = (), depth: int = 0) -> None:
    """Asserts that nothing in a result is nan and that all that has limits lies within them."""
    if depth > 5 or isinstance(value, (*_TABLES, *passing)):
        return
    if isinstance(value, float):
        assert not math.isnan(value)
    elif is_dataclass(value) and not isinstance(value, type):
        own = {one.name: getattr(value, one.name) for one in fields(value)}
        for three in ORDERED:
            told = [own[name] for name in three if own.get(name) is not None]
            if len(told) > 1 and all(isinstance(one, int | float) for one in told):
                assert all(a <= b + 1e-6 * max(1.0, abs(a)) for a, b in pairwise(told)), value
        for each in own.values():
            held(each, passing, depth + 1)
    elif isinstance(value, Mapping):
        for each in list(value.values())[:50]:
            held(each, passing, depth + 1)
    elif isinstance(value, list | tuple):
        for each in value[:50]:
            held(each, passing, depth + 1)
    elif isinstance(value, np.ndarray) and value.dtype.kind == "f":
        assert not np.isnan(value).any()


def answers_or_refuses(each: Callable[..., Any], good: Mapping[str, Any], seed: Any, times: int | None = None,
                       passing: tuple[type, ...] = ()) -> None:
    """Asserts that a function answers good values soundly, and nonsense soundly or with one line of CannotUse."""
    begun = time.perf_counter()
    told = each(**good)
    held(list(told) if inspect.isgenerator(told) else told, passing)
    took = time.perf_counter() - begun
    chance = random.Random(seed)
    names = [name for name, value in good.items() if spoilable(value)]
    for _ in range((min(MOST, max(FEWEST, int(SPENT_S / took))) if times is None else times) if names else 0):
        name = chance.choice(names)
        odd = spoilt(good[name], chance)
        try:
            told = each(**{**good, name: odd})
            held(list(told) if inspect.isgenerator(told) else told, passing)
        except CannotUse as refused:
            assert "\n" not in str(refused) and len(str(refused)) > 10
        except Exception as problem:
            raise AssertionError(f"{name}={odd!r}: {type(problem).__name__}: {problem}") from problem


def spoilable(value: Any) -> bool:
    """Is there nonsense of the kind of a good value?"""
    chance = random.Random(1)
    return any(spoilt(value, chance) is not value for _ in range(3))
