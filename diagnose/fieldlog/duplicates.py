"""Which observations may be the same one twice? They are offered to a person, never joined by themselves."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from sqlalchemy import select

from diagnose.fieldlog.likeness import alike
from diagnose.fieldlog.store import Log
from diagnose.fieldlog.tables import Observation, Photo


@dataclass(frozen=True)
class Twins:
    """Two observations that may be one.

    Parameters
    ----------
    first, second
        Their ids, the earlier saved first [no unit].
    why
        In words [no unit].
    """

    first: str
    second: str
    why: str


def near_duplicates(log: Log) -> list[Twins]:
    """Pairs with the same photo, with a re-encoded copy of it, or with the same tag on the same site and day.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    with log.reading() as session:
        rows = session.execute(
            select(Observation.id, Observation.site, Observation.plant, Observation.taken_at, Observation.photo,
                   Photo.likeness)
            .outerjoin(Photo, Photo.sha256 == Observation.photo)
            .where(Observation.deleted.is_(False)).order_by(Observation.saved_at, Observation.id)
        ).fetchall()
    table = pd.DataFrame(rows, columns=["id", "site", "plant", "taken_at", "photo", "likeness"])
    table["day"] = table["taken_at"].str[:10]
    found: dict[tuple[str, str], str] = {}
    for pair in _equal(table[table["photo"].notna()], ["photo"]):
        found.setdefault(pair, "the same photo")
    pictured = table[table["likeness"].notna()].drop_duplicates("photo")
    ids = list(pictured["id"])
    for one, other in alike(list(pictured["likeness"])):
        found.setdefault((ids[one], ids[other]), "the same photo, stored anew")
    tagged = table[(table["plant"] != "") & table["day"].notna()]
    for pair in _equal(tagged, ["site", "plant", "day"]):
        found.setdefault(pair, "the same tag on the same day")
    return [Twins(*pair, why) for pair, why in found.items()]


def _equal(table: pd.DataFrame, by: list[str]) -> list[tuple[str, str]]:
    """Each later row of a group beside the group's first."""
    groups = (list(group) for _, group in table.groupby(by, sort=False)["id"])
    return [(group[0], other) for group in groups for other in group[1:]]
