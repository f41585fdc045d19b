"""Were options given that do nothing together? Then it is said, instead of one of them being passed over."""

from __future__ import annotations

from argparse import Namespace

from diagnose.cannot_use import CannotUse

_WHOLE_LOG = ("correct", "delete", "undelete", "show", "pack", "merge", "verify", "twins", "disputes", "import_csv",
              "import_photos")
_FILTERS = ("culprit", "since", "until", "box", "near", "deleted")
_ENTRIES = ("register", "register_csv", "from_plan", "found", "check", "removed")


def log_makes_sense(args: Namespace) -> None:
    """Raises CannotUse for options that do nothing together."""
    one_thing(args, *_WHOLE_LOG, "together", "export")
    not_with(args, (*_FILTERS, "json"), tuple(name for name in _WHOLE_LOG if name != "show"))
    not_with(args, _FILTERS, ("show", "together"))
    not_with(args, ("site",), tuple(name for name in _WHOLE_LOG if name != "import_photos"))
    not_with(args, ("json",), ("export",))
    for names, others in ((("exact", "photos"), ("export",)), (("column", "dry_run"), ("import_csv",)),
                          (("field",), ("correct",)), (("plant",), ("together",)), (("with_senders",), ("pack",))):
        only_with(args, names, others)


def upkeep_makes_sense(args: Namespace) -> None:
    """Raises CannotUse for options that do nothing together."""
    one_thing(args, *_ENTRIES)
    not_with(args, ("calendar", "pdf", "metal", "json", "start"), _ENTRIES)
    one, new = ("register", "found"), ("register", "found", "from_plan")
    for names, others in (
        (("stem_mm", "height_mm", "stands_alone", "bark_safe"), ("check",)), (("embedded",), ("found",)),
        (("left_behind",), ("removed",)), (("plant", "material", "culprit", "vigour", "snow_mm"), one),
        (("species", "place"), new), (("inner_mm", "photo", "note"), (*one, "check")),
    ):
        only_with(args, names, others)


def one_thing(args: Namespace, *names: str) -> None:
    """Raises CannotUse where more than one of these options was given."""
    given = [_option(name) for name in names if is_given(args, name)]
    if len(given) > 1:
        raise CannotUse(f"{' and '.join(given)} are {len(given)} things; ask for them one after the other")


def only_with(args: Namespace, names: tuple[str, ...], others: tuple[str, ...]) -> None:
    """Raises CannotUse where one of the names was given without any of the others, which alone use it."""
    if any(is_given(args, name) for name in others):
        return
    for name in names:
        if is_given(args, name):
            raise CannotUse(f"{_option(name)} does something only with {' or '.join(map(_option, others))}")


def not_with(args: Namespace, names: tuple[str, ...], others: tuple[str, ...]) -> None:
    """Raises CannotUse where one of the names was given together with one of the others, which pass it over."""
    for name in names:
        for other in others:
            if is_given(args, name) and is_given(args, other):
                raise CannotUse(f"{_option(name)} does nothing together with {_option(other)}; leave one of them out")


def is_given(args: Namespace, name: str) -> bool:
    """Was the option given a value? No number 0 counts as none."""
    value = getattr(args, name)
    return value is not None and value is not False and value != "" and value != []


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"
