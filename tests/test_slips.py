"""A slip of the keyboard is told in one line; it makes no log, and passes nothing over in silence."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import Query, open_log, saving_in
from diagnose.upkeep.from_csv import register_csv

PLAN = ["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer"]


def _said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line that refuses."""
    try:
        code = main(arguments)
    except SystemExit as ended:
        code = int(ended.code or 0)
    shown = capsys.readouterr()
    assert code == 2 and shown.err.count("\n") == 1, (code, shown)
    return shown.err


@pytest.mark.parametrize("arguments", [
    ["log", "list"], ["log", "list", "--json"], ["log", "export", "out.csv"], ["log", "pack", "out.pack"], ["log", "verify"],
    ["log", "twins"], ["log", "disputes"], ["log", "show", "1a2b3c4d"], ["log", "delete", "1a2b3c4d"],
    ["log", "together", "--site", "north"], ["upkeep", "list"], ["upkeep", "check", "1a2b3c4d", "sound"],
    ["upkeep", "removed", "1a2b3c4d"], ["survey", "from-log"], ["inbox", "list"], ["inbox", "judge"],
    ["inbox", "letters", "letters"], ["inbox", "agreement"], ["backup", "copy"], ["log", "undelete", "1a2b3c4d"],
    ["log", "correct", "1a2b3c4d", "note=x"], ["log", "labels", "--out", "l.pdf"], ["log", "sidecars", "."],
    ["upkeep", "forecast"], ["upkeep", "proof", "--pdf", "p.pdf"], ["upkeep", "metal", "m.gpx"],
])  # fmt: skip
@pytest.mark.parametrize("there", [False, True])
def test_reading_a_log_that_is_not_there_says_so_and_makes_none(
    tmp_path: Path, arguments: list[str], there: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "brwose-log"
    if there:
        folder.mkdir()
    assert str(folder) in _said([*arguments, "--log", str(folder)], capsys)
    assert [each.name for each in tmp_path.rglob("*")] == (["brwose-log"] if there else [])


def test_reading_a_database_on_a_server_that_holds_no_log_makes_none(postgresql: str) -> None:
    from sqlalchemy import create_engine, inspect, text

    engine = create_engine(postgresql)
    with engine.begin() as connection:
        connection.execute(text("drop schema if exists bare cascade"))
        connection.execute(text("create schema bare"))
    with pytest.raises(CannotUse, match="there is no log"):
        open_log(f"{postgresql}&options=-csearch_path%3Dbare", make=False)
    assert inspect(engine).get_table_names(schema="bare") == []


@pytest.mark.parametrize("make", ["folder with something else", "nothing", "file"])
def test_a_merge_from_what_is_no_log_says_so_and_makes_neither(
    tmp_path: Path, make: str, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "othre"
    if make == "folder with something else":
        other.mkdir()
        (other / "letter.txt").write_text("dear")
    elif make == "file":
        other.write_text("no pack")
    before = sorted(tmp_path.rglob("*"))
    assert "othre" in _said(["log", "merge", "--log", str(tmp_path / "mine"), str(other)], capsys)
    if make != "file":  # whether a file is a whole pack is seen while it is taken in
        assert sorted(tmp_path.rglob("*")) == before
    with pytest.raises(CannotUse):
        merge(open_log(tmp_path / "mine"), other)


@pytest.mark.parametrize("arguments", [
    ["log", "import", "rwos.csv"], ["log", "import-photos", "phtos"], ["upkeep", "register-csv", "rwos.csv"],
    ["upkeep", "register-plan", "palm.json"], ["upkeep", "register-fence", "fence", "trakc.gpx"],
    ["survey", "keep", "tlaly.csv"], ["inbox", "take", "letetr.eml"], ["inbox", "take", str(Path(__file__).parent), "msg"],
])  # fmt: skip
def test_taking_in_from_a_wrong_name_makes_no_log(
    tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert arguments[-1] in _said([*arguments, "--log", str(tmp_path / "new")], capsys)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("arguments", [
    ["log", "import"], ["log", "merge"], ["upkeep", "register-csv"], ["survey", "keep"], ["inbox", "take"],
    ["upkeep", "register-plan"], ["upkeep", "register", "cgae"], ["upkeep", "found", "cgae"], ["log", "import", "--dry-run"],
    ["photo", "--save"],
])  # fmt: skip
def test_where_all_is_refused_a_new_log_is_not_left_behind(
    tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "refused.csv"
    file.write_text("site,lat,lon,visit,plot,tree,form\nnorth,999,0,yesterday,1,1,palace\n")
    named = [] if "cgae" in arguments else [str(file)]
    assert main([*arguments, *named, "--log", str(tmp_path / "new" / "lgo")]) in (0, 1, 2)
    assert [each.name for each in tmp_path.iterdir()] == ["refused.csv"]
    shown = capsys.readouterr()
    assert shown.out + shown.err != ""


def test_a_log_that_another_program_opened_meanwhile_stays(tmp_path: Path) -> None:
    with pytest.raises(CannotUse), saving_in(tmp_path / "log") as log:
        other = open_log(tmp_path / "log")
        with other.reading() as session:
            assert not other.observations().size and session is not None
            raise CannotUse("refused")
    other.save_observation(site="north")
    assert list(open_log(tmp_path / "log", make=False).observations()["site"]) == ["north"]
    assert not log.holds_nothing()


def test_a_log_that_was_empty_before_and_one_in_which_anything_was_kept_stay(tmp_path: Path) -> None:
    open_log(tmp_path / "empty")
    for name, kept in (("empty", False), ("new", True)):
        with pytest.raises(CannotUse), saving_in(tmp_path / name) as log:
            if kept:
                log.save_observation(site="north")
            raise CannotUse("refused")
        assert len(open_log(tmp_path / name, make=False).observations()) == int(kept)


HEAD = "site,form,visit,plot,tree,species,browsed,taken_at,built\n"


@pytest.mark.parametrize("arguments", [["log", "import"], ["upkeep", "register-csv"], ["survey", "keep"]])
def test_rows_that_were_refused_are_told_on_standard_error_and_by_the_exit_code(
    tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = (f"north,cage,{day},1,{tree},oak,0,{day},{day}\n" for tree, day in ((1, "2026-04-01"), (2, "1.5.2025")))
    file, at = tmp_path / "rows.csv", ["--log", str(tmp_path / "log")]
    file.write_text(HEAD + good)
    assert main([*arguments, str(file), *at]) == 0 and capsys.readouterr().err == ""
    file.write_text(HEAD + good.replace("oak", "ash") + bad)
    assert main([*arguments, str(file), *at]) == 1
    shown = capsys.readouterr()
    assert "1.5.2025" in shown.err and shown.err.count("\n") == 1 and "1.5.2025" not in shown.out and "1 " in shown.out


def test_learning_from_a_log_that_is_not_there_says_so_and_makes_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "signs.yaml").write_text("wound: severed_shoot\n")
    told = _said(["ask", "--signs", str(tmp_path / "signs.yaml"), "--learn-from", str(tmp_path / "lgo")], capsys)
    assert "lgo" in told and not (tmp_path / "lgo").exists()


@pytest.mark.parametrize("day", ["2025-13-45", "1.5.2025", "' or 1=1", "yesterday", "2025", ""])
def test_a_date_that_is_none_is_refused(tmp_path: Path, day: str, capsys: pytest.CaptureFixture[str]) -> None:
    log = open_log(tmp_path / "log")
    at = ["--log", str(tmp_path / "log")]
    for option in ("--since", "--until"):
        assert "YYYY-MM-DD" in _said(["log", "list", *at, f"{option}={day}"], capsys)
    assert "YYYY-MM-DD" in _said(["survey", "from-log", *at, f"--day={day}"], capsys)
    with pytest.raises(CannotUse, match="YYYY-MM-DD"):
        log.observations(Query(since=day))
    with pytest.raises(CannotUse, match="YYYY-MM-DD"):
        list(log.parts(Query(until=day)))


# ISO 8601 knows the same day in three forms: 2025-05-01, 20250501 and 2025-W18-4 (the Thursday of week 18)
@pytest.mark.parametrize("day", ["2025-05-01", "20250501", "2025-W18-4"])
def test_a_day_in_any_form_of_iso_8601_is_the_same_day(tmp_path: Path, day: str) -> None:
    log = open_log(tmp_path / "log")
    for taken in ("2025-04-30T23:59:59", "2025-05-01T00:00:00", "2025-05-01T23:59:59", "2025-05-02"):
        log.save_observation(taken_at=taken)
    that_day = log.observations(Query(since=day, until=day))
    assert sorted(that_day["taken_at"]) == ["2025-05-01T00:00:00", "2025-05-01T23:59:59"]


@pytest.mark.parametrize(("arguments", "named"), [
    (["upkeep", "found", "cage", "--site", "a", "--stem-mm", "22"], "--stem-mm"),
    (["upkeep", "register", "cage", "--site", "a", "--height-mm", "600"], "--height-mm"),
    (["upkeep", "found", "cage", "--bark-safe", "yes"], "--bark-safe"),
    (["upkeep", "register", "cage", "--embedded"], "--embedded"),
    (["upkeep", "register", "cage", "--left-behind", "stakes"], "--left-behind"),
    (["upkeep", "list", "--species", "oak"], "--species"), (["upkeep", "list", "--inner-mm", "300"], "--inner-mm"),
    (["upkeep", "register", "cage", "--calendar", "out.ics"], "--calendar"),
    (["log", "export", "out.csv", "--json"], "--json"), (["log", "pack", "out.pack", "--site", "north"], "--site"),
    (["log", "list", "--exact"], "--exact"), (["log", "list", "--photos"], "--photos"),
    (["log", "list", "--plant", "7"], "--plant"),
    (["log", "list", "--with-senders"], "--with-senders"), (["log", "list", "--column", "a=b"], "--column"),
    (["log", "list", "--dry-run"], "--dry-run"), (["log", "show", "1a", "--since", "2025-01-01"], "--since"),
    (["log", "verify", "twins"], "twins"), (["survey", "template", "--pdf", "out.pdf"], "--pdf"),
    (["survey", "keep", "t.csv", "--pdf", "out.pdf"], "--pdf"),
    (["survey", "estimate", "t.csv", "--site", "north"], "--site"),
    (["survey", "estimate", "t.csv", "--own-figures", "out.yaml"], "--own-figures"),
    (["inbox", "take", "letters", "--pile", "ready"], "--pile"), (["inbox", "agreement", "--json"], "--json"),
])  # fmt: skip
def test_an_option_that_does_nothing_with_a_work_is_told_and_nothing_is_written(
    tmp_path: Path, arguments: list[str], named: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    open_log(tmp_path / "log").save("site", name="north")
    assert named in _said([*arguments, "--log", "log"], capsys)
    assert [each.name for each in tmp_path.iterdir()] == ["log"]
    assert len(open_log(tmp_path / "log").records("barrier")) == 0


@pytest.mark.parametrize(("arguments", "named"), [
    (["check", "my-photos"], "--truth"), (["check", "--bar-mm", "99"], "--truth"),
    (["check", "--truth", "t.csv", "--part", "verdicts", "my-photos"], "--part"),
])  # fmt: skip
def test_a_check_that_would_pass_over_what_was_given_is_not_begun(
    arguments: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert named in _said(arguments, capsys)


def test_every_output_that_is_asked_for_at_once_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = str(tmp_path / "log")
    assert main(["upkeep", "register", "cage", "--log", log, "--site", "a", "--place", "46.1,-71.6"]) == 0
    out = {option: tmp_path / f"out.{ending}" for option, ending in
           (("--calendar", "ics"), ("--pdf", "pdf"))}
    assert main(["upkeep", "list", "--log", log, *(word for pair in out.items() for word in map(str, pair))]) == 0
    assert all(each.stat().st_size > 100 for each in out.values())
    capsys.readouterr()
    assert main([*PLAN, "--pdf", str(tmp_path / "plan.pdf"), "--csv", str(tmp_path / "buy.csv"), "--json"]) == 0
    assert (tmp_path / "plan.pdf").stat().st_size > 100 and (tmp_path / "buy.csv").stat().st_size > 100


def test_an_empty_log_beside_photos_that_no_record_names_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = open_log(tmp_path / "log")
    log._keep_file(b"a photo whose row was never written")
    assert main(["log", "list", "--log", str(tmp_path / "log")]) == 0
    assert "diagnose rebuild" in capsys.readouterr().err


TALLY = "site,visit,plot,tree,species,browsed\n"


def test_one_reason_for_many_rows_is_one_line_and_the_exit_code_says_that_rows_are_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "tally.csv"
    good = "".join(f"a,2026-04-01,{plot},{tree},oak,{(plot + tree) % 2}\n" for plot in range(6) for tree in range(5))
    file.write_text(TALLY + good)
    assert main(["survey", "estimate", str(file)]) == 0
    assert capsys.readouterr().err == ""
    file.write_text(TALLY + good + "a,1.4.2026,7,1,oak,1\n" * 3 + "a,2026-04-01,8,1,oak,x\n" + "a,1.4.2026,9,1,oak,1\n")
    assert main(["survey", "estimate", str(file)]) == 1
    shown = capsys.readouterr()
    assert [line.partition(": ")[2] for line in shown.err.splitlines()] == [
        "lines 32 to 34, 36: Day: '1.4.2026' is no day; write 2026-03-31.",
        "line 35: Leader bitten: 'x' is none of 1, 0, empty."]
    assert "30 living trees" in shown.out
    assert main(["survey", "keep", str(file), "--log", str(tmp_path / "log")]) == 1
    assert "lines 32 to 34, 36: " in capsys.readouterr().err


def test_a_survey_draws_nothing_anew_less_than_no_times_nor_for_days(capsys: pytest.CaptureFixture[str]) -> None:
    for times in ("-1", "99999999"):
        assert "--redraw" in _said(["survey", "estimate", "t.csv", "--redraw", times], capsys)


def test_where_the_log_holds_no_tally_the_command_that_takes_one_in_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    open_log(tmp_path / "log").save_observation(site="north")
    assert "diagnose survey keep FILE" in _said(["survey", "from-log", "--log", str(tmp_path / "log")], capsys)


@pytest.fixture
def barriers(tmp_path: Path) -> list[str]:
    """The option that names a log with one cage, put up on the first of May 2024."""
    log = ["--log", str(tmp_path / "log")]
    assert main(["upkeep", "register", "cage", "--site", "north", "--plant", "T7", "--inner-mm", "900", "--on", "2024-05-01",
                 *log]) == 0
    return log


@pytest.mark.parametrize("arguments", [
    ["upkeep", "list"], ["upkeep", "forecast"], ["upkeep", "proof"], ["upkeep", "metal", "m.gpx"], ["log", "list"],
    ["log", "export", "out.csv"]])
def test_of_a_planting_that_no_record_names_nothing_is_told_as_if_nothing_were_due(
    tmp_path: Path, barriers: list[str], arguments: list[str], monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    assert "did you mean north?" in _said([*arguments, *barriers, "--site", "nroth"], capsys)
    assert main([*arguments, *barriers, "--site", "north"]) == 0


def test_a_verdict_is_asked_for_by_its_key_or_as_it_is_shown_and_a_slip_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    open_log(tmp_path / "log").save_observation(site="north", plant="17", leading="vole_surface")
    for typed, found in (("vole_surface", True), ("Vole (at the surface)", True), ("roe deer", False)):
        assert main(["log", "list", "--log", str(tmp_path / "log"), "--culprit", typed]) == 0
        assert ("17" in capsys.readouterr().out) == found
    assert "is no verdict" in _said(["log", "list", "--log", str(tmp_path / "log"), "--culprit", "vloe"], capsys)


def test_no_photo_was_taken_after_the_first_and_before_an_earlier_last_day(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    open_log(tmp_path / "log")
    assert "is after" in _said(["log", "list", "--log", str(tmp_path / "log"), "--since", "2025-02-01", "--until",
                                "2025-01-31"], capsys)


@pytest.mark.parametrize("arguments", [
    ["register", "cage"], ["check", "T7", "sound"], ["removed", "T7"], ["register-fence", "fence", "track.gpx"],
    ["register-plan", "plan.json"]])
def test_nothing_is_put_up_looked_at_or_removed_on_a_day_that_is_still_to_come(
    barriers: list[str], arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "still to come" in _said(["upkeep", *arguments, "--on", "2199-05-01", *barriers], capsys)


def test_a_barrier_cannot_be_looked_at_before_it_was_put_up(barriers: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert "put up on 2024-05-01" in _said(["upkeep", "check", "T7", "sound", "--on", "2024-04-30", *barriers], capsys)
    assert main(["upkeep", "check", "T7", "sound", "--on", "2024-05-01", *barriers]) == 0


def test_no_stem_is_thicker_than_the_cage_round_it_and_nothing_is_widened_to_less(
    barriers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "check both figures" in _said(["upkeep", "check", "T7", "sound", "--stem-mm", "5000", *barriers], capsys)
    assert "900 mm wide" in _said(["upkeep", "check", "T7", "sound", "--inner-mm", "90", *barriers], capsys)
    assert main(["upkeep", "check", "T7", "sound", "--inner-mm", "1200", "--stem-mm", "80", *barriers]) == 0


@pytest.mark.parametrize(("option", "typed", "told"), [
    ("--hectares", "0,3", "write 0.3"), ("--hectares", "1e9", "below 10 million"), ("--snow-mm", "1e9", "100,000"),
    ("--hectares", "nan", "above 0"), ("--hectares", "1,2,3", "above 0")])
def test_a_number_that_is_refused_is_told_with_both_its_limits_and_how_to_write_it(
    option: str, typed: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said = _said([*PLAN, option, typed], capsys)
    assert told in said and ("; write" in said) == (typed == "0,3")


def test_a_barrier_that_is_registered_again_is_still_one(
    tmp_path: Path, barriers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    again = ["upkeep", "register", "cage", "--site", "north", "--plant", "T7", "--on", "2024-05-01", *barriers]
    assert "already" in _said([*again, "--inner-mm", "900"], capsys)
    capsys.readouterr()
    assert main(["protect", "--trees", "20", "--hectares", "0.1", "--culprit", "deer", "--json"]) == 0
    (tmp_path / "plan.json").write_text(capsys.readouterr().out)
    plan = ["upkeep", "register-plan", str(tmp_path / "plan.json"), "--site", "east", "--on", "2024-05-01", *barriers]
    assert main(plan) == 0
    assert "already" in _said(plan, capsys)
    assert len(open_log(tmp_path / "log").records("barrier")) == 2


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp1252"])
def test_a_file_of_barriers_that_is_registered_again_brings_only_what_is_new(tmp_path: Path, encoding: str) -> None:
    log, file = open_log(tmp_path / "log"), tmp_path / "barriers.csv"
    head = "form;site;plant;built;inner_mm;lat;lon\n"
    rows = "cage;Bärental;C1;2024-05-01;900;46,1;-71,6\ncage;Bärental;;2024-05-01;;;\ncage;Bärental;;2024-05-01;;;\n"
    file.write_text(head + rows, encoding=encoding)
    assert register_csv(log, file).saved == 3  # two of them without a tag
    (widened,) = log.records("barrier", plant="C1")["id"]
    log.correct(widened, kind="barrier", inner_mm=1200.0, removed="2026-05-01")
    file.write_text(head + rows + "cage;Bärental;C2;2024-05-01;900;46,1;-71,6\n", encoding=encoding)
    again = register_csv(log, file)
    assert (again.saved, again.already, again.refused) == (1, 3, [])
    assert set(log.records("barrier")["site"]) == {"Bärental"} and len(log.records("barrier")) == 4


def test_a_file_of_barriers_with_a_doubled_column_or_a_day_to_come_is_refused(tmp_path: Path) -> None:
    log, file = open_log(tmp_path / "log"), tmp_path / "barriers.csv"
    file.write_text("form,form,site\ncage,fence,north\n")
    with pytest.raises(CannotUse, match="two columns 'form'"):
        register_csv(log, file)
    file.write_text("form,site,built\ncage,north,2199-01-01\ncage,north,2026-01-01\n")
    done = register_csv(log, file)
    assert done.saved == 1 and "to come" in done.refused[0][1]


def test_where_a_barrier_is_not_found_the_list_of_barriers_is_named_and_a_removed_one_is_told(
    barriers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "diagnose upkeep list" in _said(["upkeep", "removed", "T8", *barriers], capsys)
    assert main(["upkeep", "removed", "T7", "--on", "2026-05-01", *barriers]) == 0
    capsys.readouterr()
    for again in (["removed", "T7"], ["check", "T7", "sound"]):
        assert "removed on 2026-05-01" in _said(["upkeep", *again, *barriers], capsys)


@pytest.mark.parametrize(("arguments", "meant"), [
    (["protect", "--trees", "9", "--hectares", "1", "--culprit", "deeer"], "deer"),
    (["protect", "--trees", "9", "--hectares", "1", "--culprit", "rabit"], "rabbit"),
    (["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer", "--must", "porcupin"], "porcupine"),
    (["ask", "--signs", "signs.yaml"], "wound"), (["ask", "--signs", "good.yaml", "--prior", "prior.yaml"], "roe_deer"),
])
def test_a_misspelt_name_is_answered_with_the_one_that_was_meant_and_not_with_all_there_are(
    tmp_path: Path, arguments: list[str], meant: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, text in (("signs", "wond: severed_shoot"), ("good", "wound: severed_shoot"), ("prior", "roedeer: 1")):
        (tmp_path / f"{name}.yaml").write_text(text)
    said = _said(arguments, capsys)
    assert "did you mean" in said and meant in said.partition("did you mean")[2] and len(said) < 120


@pytest.mark.parametrize("arguments", [
    [*PLAN, "--culprit", "deer=0"], ["settings", "units=mm", "units=inches"],
    ["log", "correct", "1a2b3c4d", "plant=1", "plant=2", "--log", "log"]])
def test_what_is_given_twice_with_two_values_is_given_once(
    tmp_path: Path, arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DIAGNOSE_SETTINGS", str(tmp_path / "settings.yaml"))
    assert "given twice" in _said(arguments, capsys)
    assert list(tmp_path.iterdir()) == []


def test_a_zip_of_something_else_is_no_pack(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with zipfile.ZipFile(tmp_path / "photos.zip", "w") as packed:
        packed.writestr("a.jpg", b"")
    assert "no pack" in _said(["log", "merge", str(tmp_path / "photos.zip"), "--log", str(tmp_path / "log")], capsys)


def test_a_place_that_is_none_is_not_settled_and_a_paper_is_known_in_small_letters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "settings.yaml"
    monkeypatch.setenv("DIAGNOSE_SETTINGS", str(file))
    assert "Atlantis" in _said(["settings", "place=Atlantis"], capsys) and not file.exists()
    assert "NAME=VALUE" in _said(["settings", "units"], capsys)
    assert main(["settings", "paper=letter", "place=Germany"]) == 0 and "paper: Letter" in file.read_text()
    file.write_text("- no settings\n")
    assert "delete it" in _said(["settings", "units=mm"], capsys)  # it is not written over: somebody's words stand in it
    assert file.read_text() == "- no settings\n"


def test_a_page_for_the_phone_without_its_log_or_planting_says_so(
    tmp_path: Path, barriers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    page = ["pocket", "-o", str(tmp_path / "pocket.html")]
    for words, told in (([*barriers, "--site", "north"], ""), ([*barriers, "--site", "nroth"], "no planting 'nroth'"),
                        (["--site", "north", "--log", str(tmp_path / "lgo")], "no log in")):
        capsys.readouterr()
        assert main([*page, *words]) == 0
        said = capsys.readouterr().out
        assert told in said and ("goes without" in said) == bool(told)


def test_a_third_tap_belongs_to_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert "3 taps" in _said(["photo", "a.jpg", "--tap", "1,1", "--tap", "2,2", "--tap", "3,3"], capsys)
