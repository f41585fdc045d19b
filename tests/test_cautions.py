"""Where work can hurt the usual caution stands with the advice, and the law that may stand against it.

Which animals carry tularemia: California and Wisconsin health departments; hantavirus: CDC, US National Park Service;
locating services for every dig: one-call centres. Sources stand beside each caution in protect/cautions.yaml.
"""

from __future__ import annotations

import re
from datetime import date
from io import BytesIO, StringIO
from pathlib import Path

import numpy as np
import pytest
from shapely import box

from diagnose.cli.ask import _ask_one
from diagnose.diagnosis import diagnose_answers
from diagnose.fieldlog.store import open_log
from diagnose.inbox.ranking import CHOOSE, LOOK, rank
from diagnose.inbox.told import look_yourself
from diagnose.protect.barriers import catalogue
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import plan_for
from diagnose.protect.planting import planting
from diagnose.protect.requirement import (
    NEED_OF,
    cautions,
    cautions_for,
    needs,
    protected_animals,
    protected_culprits,
    require,
)
from diagnose.protect.sources import sources
from diagnose.report.due_list import due_as_text
from diagnose.report.field_key import field_key
from diagnose.report.layout_map import layout_pdf
from diagnose.report.lettering import FONT
from diagnose.report.letters import as_html, as_text, letter
from diagnose.report.notebook import diagnosis_html
from diagnose.report.plain import diagnosis_as_text
from diagnose.report.plan_sheet import plan_as_text
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.signs import parse_signs, vocabulary
from diagnose.survey.boundary import from_degrees
from diagnose.upkeep.due import due
from diagnose.upkeep.register import register
from tests.conftest import words_of

GUIDE = Path(__file__).parent.parent / "diagnose" / "guide"
LAND = square_ground(10_000.0)


def _plan(*culprits: str, **spec: str) -> str:
    return " ".join(plan_for(planting(LAND, 100, list(culprits), spec=dict(spec) or None)).cautions)


def test_every_caution_has_a_source_that_resolves_or_says_that_it_has_none() -> None:
    for name, entry in cautions().items():
        keys = [key.strip() for key in entry["source"].split(",")]
        assert keys and all(key in sources() for key in keys), name
    for name, entry in protected_animals().items():
        assert all(key.strip() in sources() for key in entry["source"].split(",")), name


@pytest.mark.parametrize("animal", ["vole_surface", "vole_below", "mouse_or_rat"])
def test_hantavirus_stands_by_name_where_rodents_nest_with_what_to_do_on_fever(animal: str) -> None:
    for told in (" ".join(require([animal]).cautions), _plan(animal)):
        line = told[told.index("Dust of droppings"):]
        assert "hantavirus" in line[:60] and "fever" in line.lower()
        assert all(word in line for word in ("wet", "gloves", "doctor"))


@pytest.mark.parametrize("animal", ["rabbit", "hare", "vole_surface", "mouse_or_rat", "beaver", "tree_squirrel"])
def test_tularemia_stands_by_name_where_its_hosts_are_likely_with_what_to_do_on_fever(animal: str) -> None:
    line = next(line for line in require([animal]).cautions if "tularemia" in line)
    assert "gloves" in line and "fever" in line.lower() and "doctor" in line


@pytest.mark.parametrize("barrier, against", [
    ("woven_wire", "deer"), ("plastic_mesh", "deer"), ("electric_strands", "deer"), ("solid_tube", "deer"),
    ("root_mesh_tube", "pocket_gopher"), ("vole_guard", "vole_surface"),
])  # fmt: skip
def test_whatever_goes_into_the_ground_asks_for_buried_services_first(barrier: str, against: str) -> None:
    assert "buried services" in _plan(against, barrier=barrier)


def test_every_barrier_of_the_catalogue_that_goes_into_the_ground_is_among_them_and_no_spray_or_band_is() -> None:
    for key, facts in catalogue().items():
        digs = facts["where"] in ("area", "area_foot", "area_root", "stem", "base", "root")
        assert any("buried services" in line for line in cautions_for([facts["where"]])) == digs, key


def test_a_cylinder_or_basket_that_is_dug_in_asks_for_buried_services() -> None:
    for animal in ("rabbit", "vole_surface", "vole_below", "deer_browsing", "livestock_browsing", "pocket_gopher"):
        assert any("buried services" in line for line in require([animal]).cautions), animal


def test_ticks_stand_with_every_barrier_and_on_every_paper_that_goes_on_a_survey() -> None:
    for animal in NEED_OF:
        assert any("ticks" in line.lower() for line in require([animal]).cautions), animal
    ground = from_degrees(box(8.0, 47.0, 8.005, 47.004))
    for paper in (tally_sheet_pdf(), tally_sheet_pdf(paper="Letter"), layout_pdf(ground, np.array([[0.0, 0.0]]), "x"),
                  (GUIDE / "crew.md").read_bytes()):
        told = words_of(paper) if paper.startswith(b"%PDF") else paper.decode()
        assert "Ticks" in told and "droppings" in told and "doctor" in told


@pytest.mark.parametrize("part", ["tally", "design"])
def test_the_pages_with_which_one_goes_out_to_survey_tell_of_ticks(
    part: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path))
    open_log(tmp_path)
    shown = AppTest.from_file(str(GUIDE.parent / "screens" / "survey.py"), default_timeout=120)
    shown.session_state["survey_part"] = part
    told = " ".join(str(one.value) for one in shown.run().caption)
    assert "Ticks" in told and "Do not touch droppings" in told


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_no_line_of_the_tally_sheet_runs_off_the_paper(paper: str) -> None:
    from pypdf import PdfReader
    from reportlab.pdfbase.pdfmetrics import stringWidth

    page = PdfReader(BytesIO(tally_sheet_pdf("s", ("1",), paper))).pages[0]
    ends: list[tuple[float, float]] = []
    page.extract_text(visitor_text=lambda words, _cm, at, _font, size: ends.append(
        (at[4] + stringWidth(words.strip(), FONT, size or 8), at[5])) if words.strip() else None)
    assert len(ends) > 20
    assert max(x for x, _ in ends) < float(page.mediabox.width) - 25 and min(y for _, y in ends) > 20


def test_high_work_asks_for_a_ladder_on_firm_ground() -> None:
    assert "ladder" in _plan("deer", barrier="woven_wire")
    assert any("ladder" in line for line in require(["tree_squirrel"]).cautions)
    assert "ladder" not in _plan("vole_surface", barrier="vole_guard")


def test_wherever_burning_is_advised_or_plastic_left_over_the_rules_for_it_stand() -> None:
    for need in (key for key, need in needs().items() if "burn" in need.get("advice", "").lower()):
        culprit = next(key for key, met in NEED_OF.items() if met == need)
        assert any("permit" in line and "never burn plastic" in line for line in require([culprit]).cautions)
    assert "never burn plastic" in _plan("deer", barrier="solid_tube")


@pytest.mark.parametrize("animal", [
    "deer_browsing", "elk_stripping", "rabbit", "hare", "beaver", "tree_squirrel", "porcupine", "grouse", "pocket_gopher",
    "woodchuck",
])  # fmt: skip
def test_shooting_and_trapping_are_said_to_need_licence_and_season(animal: str) -> None:
    assert any(all(word in line for word in ("Shooting", "trapping", "licence", "season"))
               for line in require([animal]).cautions)


def test_one_list_of_protected_animals_is_used_by_barrier_plan_and_inbox() -> None:
    assert {"beaver", "hare", "mountain_beaver", "vole_below", "tree_squirrel"} <= protected_culprits() <= set(NEED_OF)
    for culprit in NEED_OF:
        warned = any("are protected" in line for line in require([culprit]).cautions)
        assert warned == (culprit in protected_culprits()), culprit
    assert "are protected" in _plan("hare") and "are protected" not in _plan("rabbit")
    for entry in protected_animals().values():
        for word in entry["words"]:
            assert "a protected animal may be at work" in look_yourself(f"I think it was a {word} again"), word
    found = diagnose_answers(parse_signs({"wound": "cut_at_ground", "setting": "waterside", "cut_form": "clean"}))
    row = {"about": "", "words": "", "told": {}, "photos": {}}
    assert found.verdict.culprits["beaver"] >= 0.5
    placed = rank(row, found, [])
    assert placed.pile == LOOK and "protected in places" in placed.why


def test_a_letter_that_asks_about_droppings_says_not_to_touch_them() -> None:
    word = vocabulary()["droppings"]
    found = diagnose_answers(parse_signs({"wound": "severed_shoot"}))
    question = f"{word.question}{CHOOSE}{'; '.join(word.choices.values())}."
    row = {"about": "", "received_at": None, "photos": {}, "pile": "ask back", "question": question}
    told = letter(row, found)
    for page in (as_text(told), as_html(told)):
        assert word.question in page and "do not touch" in page and "hantavirus" in page
    older = letter({**row, "question": question.replace(" Look, do not touch.", "")}, found)
    assert "hantavirus" in as_text(older)
    for other in ("Could you photograph it once more?", ""):
        assert "hantavirus" not in as_text(letter({**row, "question": other}, found))


def test_wherever_droppings_are_asked_about_it_says_not_to_touch_them(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    found = diagnose_answers(parse_signs({"wound": "severed_shoot"}))
    monkeypatch.setattr(type(found.verdict), "next_question", property(lambda _: "droppings"))
    told = [vocabulary()["droppings"].question, diagnosis_as_text(found), found.find_out_first, diagnosis_html(found),
            found.verdict.as_json()["next_question"]]
    monkeypatch.setattr("sys.stdin", StringIO("0\n"))
    _ask_one("droppings")
    told += [capsys.readouterr().err, words_of(field_key())]
    for each in told:
        assert "droppings" in each and "not touch" in " ".join(each.split()), each


def test_wherever_a_page_or_guide_speaks_of_droppings_it_says_not_to_touch_them() -> None:
    package = GUIDE.parent
    asking = [package / "screens" / "send.py", package / "report" / "field_key.py", *GUIDE.glob("*.md")]
    for file in asking:
        told = file.read_text(encoding="utf-8")
        if "roppings" in told and file.name != "api.md":
            assert re.search(r"[Dd]o not (touch|handle)", told), file.name
    bare = planting(LAND, 100, ["deer"])
    plan = plan_as_text(plan_for(bare))
    if "droppings" in plan:
        assert "do not touch" in " ".join(plan.split()).lower()


def test_upkeep_names_hantavirus_at_tubes_ticks_at_weeding_and_the_rules_for_burning_at_old_plastic(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    for form in ("vented tree shelter", "mesh tube", "wire cylinder"):
        register(log, form, site="s", built="2024-01-01", inner_mm=100)
    for month, words in ((3, ("hantavirus", "never burn plastic")), (8, ("icks",))):
        told = " ".join(due_as_text(due(log, date(2026, month, 2)), date(2026, month, 2)).split())
        assert all(word in told for word in words), (month, words)
