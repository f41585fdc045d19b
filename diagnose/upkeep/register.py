"""Which barriers were put up, found, checked and taken away?

Everything is kept in the log: a barrier is corrected, never overwritten, and its checks stand beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.protect.barriers import catalogue
from diagnose.protect.requirement import NEED_OF, other_names
from diagnose.upkeep.before import there_before
from diagnose.upkeep.growth import VIGOURS
from diagnose.upkeep.rules import CLEARANCE_MM, SNUG_SHARE, forms, known_form, tight_at_mm, trait

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log
    from diagnose.protect.plan import Plan

FORMS: tuple[str, ...] = tuple(forms()["forms"])
EMBEDDED: str = forms()["cautions"]["embedded"]
GROWN_IN = "wire grown into the stem"


def register(log: Log, form: str, by: str = "", photo: bytes | None = None, photo_name: str = "",
             stem_mm: float | None = None, **fields: Any) -> str:
    """Registers one barrier.

    Parameters
    ----------
    log : Log
        The log that keeps it [no unit].
    form : str
        As in forms.yaml [no unit].
    by : str
        Initials [no unit].
    photo, photo_name : bytes or None, str
        A picture that belongs to it, as a file's bytes, and the file's name [no unit].
    stem_mm : float or None
        The stem's diameter on the day when it went up [mm]; entered as its first look.
    **fields
        Columns of the log's barriers, each in its own unit. `figures` may hold `culprits` (keys), `vigour`, `snow_mm`, of a
        fence its `line` (see fence.py), and what else is known of it.

    Returns
    -------
    str
        Its id.

    Raises
    ------
    CannotUse
        For an unknown form, a field that makes no sense, a barrier that was too tight for its stem when it went up, or one
        with a tag that stands in the register already.
    """
    trait(form, "closed")
    if "figures" in fields:
        fields["figures"] = figures_of(**fields["figures"])
    fits(form, fields.get("inner_mm"), stem_mm, fields.get("built"))
    if (tag := fields.get("label") or fields.get("plant")) and there_before(log, [{"site": "", **fields, "form": form}])[0]:
        raise CannotUse(f"this {form} at '{tag}' stands in the register already; nothing was added")
    own = log.save("barrier", photo, photo_name, form=form, by=by, **{"site": "", **fields})
    if stem_mm is not None:
        day = fields.get("built") or date.today().isoformat()
        log.save("check", barrier=own, finding="sound", day=str(day), by=by, stem_diameter_mm=stem_mm)
    return own


def fits(form: str, inner_mm: Any, stem_mm: float | None, built: Any) -> None:
    """Refuses a barrier that was too tight for its stem on the day when it went up.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    inner_mm : float or None
        Clear width inside [mm].
    stem_mm : float or None
        The stem's diameter on that day [mm]; None for a planted seedling's.
    built : date, str or None
        That day; None where nobody knows it, then nothing is refused [no unit].

    Raises
    ------
    CannotUse
        For one that is too tight.
    """
    if built is None or inner_mm in (None, "") or not trait(form, "closed"):
        return
    try:
        inner = float(inner_mm)
    except (TypeError, ValueError):
        return  # the log refuses it and says which field it is
    if stem_mm is None and trait(form, "any_size"):
        return  # it may stand round any tree
    stem = float(forms()["planted"]["stem_mm"][1]) if stem_mm is None else stem_mm
    if not float(tight_at_mm(form, inner)) > stem:
        least = stem / (1 - 2 * SNUG_SHARE) if trait(form, "snug") else stem + 2 * CLEARANCE_MM
        of = f"a stem of {stem:.0f} mm" if stem_mm is not None else f"a planted seedling's stem of {stem:.0f} mm"
        raise CannotUse(f"a {form} of {inner:.0f} mm is too tight for {of} from the first day; "
                        f"take one wider than {least:.0f} mm inside")


def found_by_chance(log: Log, form: str, embedded: bool, by: str = "", photo: bytes | None = None, photo_name: str = "",
                    **fields: Any) -> str:
    """Registers a barrier of unknown age and owner, as it was met.

    Parameters
    ----------
    log, form, by, photo, photo_name, **fields
        As for `register`, each in its own unit.
    embedded : bool
        Is it grown into the stem? [no unit]

    Returns
    -------
    str
        Its id.

    Raises
    ------
    CannotUse
        As `register`.
    """
    return register(log, form, by, photo, photo_name, **{**fields, "built": None, "found": True, "embedded": embedded})


def figures_of(culprits: Any = (), vigour: str = "", snow_mm: Any = None, **more: Any) -> dict[str, Any]:
    """A barrier's figures as they are kept.

    Parameters
    ----------
    culprits : iterable of str
        What it is there against: keys, or the names that planning knows [no unit].
    vigour : str
        How well the plant grows: slow, usual, fast, or empty [no unit].
    snow_mm : float or None
        Deepest snow [mm].
    **more
        What else is known of it, each in its own unit.

    Returns
    -------
    dict

    Raises
    ------
    CannotUse
        For an unknown culprit or vigour, or no depth of snow.
    """
    culprits = [other_names().get(each, each) for each in culprits]
    for culprit in culprits:
        if culprit not in NEED_OF:
            raise CannotUse(f"'{culprit}' is no culprit that barriers are built against; there is {', '.join(NEED_OF)}")
    if vigour and vigour not in VIGOURS:
        raise CannotUse(f"'{vigour}' is no vigour; choose one of {', '.join(VIGOURS)}")
    kept: dict[str, Any] = {"culprits": list(culprits)} if culprits else {}
    kept |= {"vigour": vigour} if vigour else {}
    if snow_mm not in (None, ""):
        try:
            depth = float(snow_mm)
        except (TypeError, ValueError):
            depth = -1.0
        if not 0 <= depth < 1e5:
            raise CannotUse(f"'{snow_mm}' is no depth of snow in mm")
        kept["snow_mm"] = depth
    return kept | more


def register_plan(log: Log, plan: Plan | Mapping[str, Any], site: str, built: date, tags: tuple[str, ...] = (),
                  by: str = "", species: str = "", **place: Any) -> list[str]:
    """Registers what a plan chose as standing since a day.

    Parameters
    ----------
    log : Log
        The log that keeps it [no unit].
    plan : Plan or mapping
        A plan, or what `diagnose protect --json` printed of it [no unit].
    site : str
        The planting [no unit].
    built : date
        The day on which everything went up [no unit].
    tags : tuple of str
        Of the trees: a record a tree where they are given, else one a kind [no unit].
    by : str
        Initials [no unit].
    species : str
        Of the trees [no unit].
    **place
        lat, lon [degree], error_m [m].

    Returns
    -------
    list of str
        The new ids.

    Raises
    ------
    CannotUse
        For what is no plan, puts up nothing that stands, or was registered before.
    """
    rows: list[dict[str, Any]] = []
    for part in parts_that_stand(plan):
        area = trait(part["form"], "line")
        row = {"site": site, "form": part["form"], "material": part["name"], "built": built.isoformat(), "by": by,
               "species": species, "inner_mm": part["mm"].get("across"), "height_mm": part["mm"].get("top") or None,
               "figures": figures_of(part["culprits"], snow_mm=part["snow_mm"], part=part["key"],
                                     plan_mm=part["mm"]), **place}
        fits(part["form"], row["inner_mm"], None, built)
        if tags and not area:
            rows += [{**row, "plant": tag, "label": tag, "pieces": 1} for tag in tags]
        else:
            rows.append({**row, "pieces": part["fence_m"] if area else part["trees"]})
    if not rows:
        raise CannotUse("the plan puts up nothing that stands; there is nothing to register")
    if all(there_before(log, rows)):
        raise CannotUse(f"what this plan puts up stands in the register of {site or 'no planting'} since {built} already; "
                        "nothing was added")
    return log.save_many("barrier", rows)


def parts_that_stand(plan: Plan | Mapping[str, Any]) -> list[dict[str, Any]]:
    """What of a plan stands afterwards.

    Parameters
    ----------
    plan : Plan or mapping
        A plan, or what `diagnose protect --json` printed of it [no unit].

    Returns
    -------
    list of dict
        key (of the catalogue), name, form, mm (its sizes [mm]), culprits (those that this part stops, or all where it says
        none), snow_mm [mm], fence_m [m], trees.

    Raises
    ------
    CannotUse
        For what is no plan.
    """
    told = plan if isinstance(plan, Mapping) else plan.as_json()
    try:
        planting, found = told["planting"], []
        for part in told["chosen"]["sizes"]:
            key = part["barrier"]
            if (form := forms()["form_of_part"].get(key)) is None:
                continue
            mm, opens = dict(told["dimensions_mm"][key]), catalogue()[key].get("opens_to_mm")
            if opens is not None:  # it is as wide as it opens, not as it is put on
                mm["across"] = float(opens[0])
            stops = [each for each in planting["culprits"] if NEED_OF[each] in part["holds"]]
            found.append({"key": key, "name": part["name"], "form": form, "mm": mm,
                          "culprits": stops or list(planting["culprits"]), "snow_mm": planting["snow_mm"],
                          "fence_m": planting["fence_m"], "trees": planting["trees"]})
    except (KeyError, TypeError, AttributeError, ValueError):
        raise CannotUse("this is no plan; give what was printed by: diagnose protect ... --json") from None
    return found


def in_order(built: str | None, removed: str | None) -> None:
    """Refuses a removal before the day on which it went up.

    Parameters
    ----------
    built, removed : str or None
        Days as YYYY-MM-DD; None or empty where not known [no unit].

    Raises
    ------
    CannotUse
        For such a removal.
    """
    if built and removed and removed < built:
        raise CannotUse(f"it cannot be removed on {removed} when it was put up on {built}")


def find(log: Log, barrier: str, site: str | None = None) -> dict[str, Any]:
    """A barrier by what a crew calls it.

    Parameters
    ----------
    log : Log
        The log that holds it [no unit].
    barrier : str
        Its id, the start of it, or its label or plant's tag where no other standing barrier bears it [no unit].
    site : str or None
        Only in this planting [no unit].

    Returns
    -------
    dict
        The barrier's fields.

    Raises
    ------
    CannotUse
        For none, and for several.
    """
    rows = log.records("barrier") if site is None else log.records("barrier", site=site)
    called = rows[(rows["label"] == barrier) | (rows["plant"] == barrier)] if len(rows) else rows
    named = called[called["removed"].isna()] if len(called) else called
    if barrier and named.empty and len(called):
        last = called.iloc[-1]
        raise CannotUse(f"the barrier called '{barrier}' was removed on {last['removed']}; to enter what was before, give "
                        f"the start of its id, {last['id'][:8]}")
    if not barrier or named.empty:
        return log.record("barrier", barrier)
    if len(named) > 1:
        told = ", ".join(f"{row.id[:8]} ({row.form}, {row.site or 'no planting'})" for row in named.head(5).itertuples())
        raise CannotUse(f"{len(named)} standing barriers are called '{barrier}': {told}; give the start of its id")
    return log.record("barrier", str(named["id"].iloc[0]))


def check(log: Log, barrier: str, finding: str, day: date, by: str = "", photo: bytes | None = None,
          photo_name: str = "", widened_to_mm: float | None = None, **fields: Any) -> str:
    """Enters one look at a barrier.

    Parameters
    ----------
    log : Log
        The log that holds it [no unit].
    barrier : str
        Its id, the start of it, or its label where no other standing barrier bears it [no unit].
    finding : str
        Of fieldlog.fields.FINDINGS [no unit].
    day : date
        The day of the look [no unit].
    by : str
        Initials [no unit].
    photo, photo_name : bytes or None, str
        What it looked like, as a file's bytes, and the file's name [no unit].
    widened_to_mm : float or None
        The new clear width, where it was widened at this look [mm].
    **fields
        stem_diameter_mm, height_mm [mm], stands_alone, bark_safe, note.

    Returns
    -------
    str
        The check's id.

    Raises
    ------
    CannotUse
        For an unknown barrier, one that was removed before, and what cannot be done with such a barrier.
    """
    found = find(log, barrier)
    _can_be_checked(found, day, widened_to_mm, fields)
    own = log.save("check", photo, photo_name, barrier=found["id"], finding=finding, day=day.isoformat(), by=by, **fields)
    if widened_to_mm is not None:
        log.correct(found["id"], by=by, kind="barrier", inner_mm=widened_to_mm)
    return own


def check_many(log: Log, barriers: Sequence[str], finding: str, day: date, by: str = "", note: str = "",
               site: str | None = None, widened_to_mm: float | None = None) -> list[str]:
    """Enters the same finding for several barriers at once, all or none.

    Parameters
    ----------
    log : Log
        The log that holds them [no unit].
    barriers : sequence of str
        Their ids, the starts of them, or their labels [no unit].
    finding, day, by, note
        As for `check` [no unit].
    site : str or None
        The planting that the labels are of [no unit].
    widened_to_mm : float or None
        The new clear width of each, where they were widened at this look [mm].

    Returns
    -------
    list of str
        The checks' ids.

    Raises
    ------
    CannotUse
        As `check`; then nothing is entered.
    """
    if not barriers:
        raise CannotUse("tick the barriers that were looked at")
    found = [find(log, one, site) for one in barriers]
    for one in found:
        _can_be_checked(one, day, widened_to_mm, {})
    own = log.save_many("check", [{"barrier": one["id"], "finding": finding, "day": day.isoformat(), "by": by, "note": note}
                                  for one in found])
    if widened_to_mm is not None:
        for one in found:
            log.correct(one["id"], by=by, kind="barrier", inner_mm=widened_to_mm)
    return own


def _can_be_checked(found: Mapping[str, Any], day: date, widened_to_mm: float | None, fields: Mapping[str, Any]) -> None:
    form, own = known_form(found["form"]), found["id"][:8]
    if found["built"] and day.isoformat() < found["built"]:
        raise CannotUse(f"barrier {own} was put up on {found['built']}; there was nothing to check on {day}")
    if found["removed"] and found["removed"] < day.isoformat():
        raise CannotUse(f"barrier {own} was removed on {found['removed']}; there is nothing to check on {day}")
    if widened_to_mm is not None and not trait(form, "widens"):
        raise CannotUse(f"a {found['form']} cannot be widened; mark {own} as removed and register what replaces it")
    if fields.get("stands_alone") is not None and not trait(form, "tube"):
        raise CannotUse(f"a {found['form']} does not hold its stem up; leave out whether the stem stands alone")
    inner, stem = found["inner_mm"] if widened_to_mm is None else widened_to_mm, fields.get("stem_diameter_mm")
    if widened_to_mm is not None and found["inner_mm"] is not None and widened_to_mm < found["inner_mm"]:
        raise CannotUse(f"barrier {own} is {found['inner_mm']:g} mm wide inside, so not widened to {widened_to_mm:g}; "
                        f"mend a wrong width with: diagnose log correct {own} inner_mm=MM")
    if inner is not None and stem is not None and trait(form, "closed") and not found["embedded"] and float(stem) > inner:
        raise CannotUse(f"a stem of {stem:g} mm does not stand in a {found['form']} of {inner:g} mm; check both figures")
    if widened_to_mm is not None and stem is not None:
        fits(form, widened_to_mm, float(stem), day)


def take_away(log: Log, barrier: str, day: date, left_behind: str = "", by: str = "") -> str:
    """Marks a barrier as removed.

    Parameters
    ----------
    log : Log
        The log that holds it [no unit].
    barrier : str
        Its id, the start of it, or its label where no other standing barrier bears it [no unit].
    day : date
        The day on which it went [no unit].
    left_behind : str
        What stayed in the ground or in the stem; empty for nothing. What is grown in stays in any case [no unit].
    by : str
        Initials [no unit].

    Returns
    -------
    str
        Its id.

    Raises
    ------
    CannotUse
        For an unknown barrier, or a day before it went up.
    """
    found = find(log, barrier)
    in_order(found["built"], day.isoformat())
    stays = left_behind or (GROWN_IN if found["embedded"] else "")
    return log.correct(found["id"], by=by, kind="barrier", removed=day.isoformat(), left_behind=stays)
