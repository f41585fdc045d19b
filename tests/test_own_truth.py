"""A user's own twigs, measured with caliper and protractor, tell how far the tool is off, and no more than they can tell.

Drawn truths stand for the user's: what is true of them is known by how they were drawn. Intervals of shares are those of
Clopper and Pearson (1934, Biometrika 26, 404-413); the interval of a standard deviation from normal errors is the
textbook one, by chi-square.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.signs import Measured
from diagnose.validation.own_truth import Compared, compare, own_as_text, own_rows, read_truth
from tests.conftest import PHOTOS

ROUNDS = 200


def drawn(rng: np.random.Generator, n: int, stated: float, caliper: float, protractor: float) -> list[Compared]:
    """`n` twigs whose errors are normal; what is stated of them is `stated` times their true sigma."""
    found = []
    for k in range(n):
        for quantity, truth, sigma, own in (
            ("end_diameter_mm", rng.uniform(2, 10), rng.uniform(0.06, 0.3), caliper),
            ("seen_slope_deg", rng.uniform(5, 55), rng.uniform(1.0, 4.0), protractor),
        ):
            value = truth + rng.normal(0, sigma)
            told = Measured(value, stated * sigma)
            found.append(Compared(f"{k}.jpg", quantity, truth + rng.normal(0, own), own, told, ""))
    return found


def share_warned(n: int, stated: float, caliper: float = 0.02, protractor: float = 0.3, rounds: int = ROUNDS) -> float:
    rng = np.random.default_rng(round(100 * stated) + n)
    return float(np.mean([any(row.warnings for row in own_rows(drawn(rng, n, stated, caliper, protractor)))
                          for _ in range(rounds)]))


def test_twenty_honest_twigs_warn_in_at_most_one_of_twenty_cases() -> None:
    assert share_warned(20, 1.0) <= 0.05
    assert share_warned(20, 1.0, caliper=0.1, protractor=1.5) <= 0.05  # coarse truths, which are taken off, warn no more


def test_uncertainties_stated_at_four_tenths_are_noticed_in_nine_of_ten_cases() -> None:
    assert share_warned(20, 0.4) >= 0.9


def test_uncertainties_stated_at_two_and_a_half_times_are_noticed_too() -> None:
    assert share_warned(20, 2.5) >= 0.9


def test_a_truth_as_coarse_as_what_it_judges_is_said_to_notice_little() -> None:
    rng = np.random.default_rng(5)
    coarse = {row.quantity: row for row in own_rows(drawn(rng, 20, 1.0, 0.5, 6.0))}
    fine = {row.quantity: row for row in own_rows(drawn(rng, 20, 1.0, 0.02, 0.3))}
    for quantity in coarse:
        assert coarse[quantity].noticed < 0.2 < 0.9 < fine[quantity].noticed
    assert "cannot tell" in own_as_text(list(coarse.values())) and "cannot tell" not in own_as_text(list(fine.values()))


def test_the_stated_chance_to_notice_is_how_often_it_is_noticed() -> None:
    """A single quantity, a truth half as coarse as the tool, uncertainties stated at 0.4 of the true ones."""
    rng, seen, told = np.random.default_rng(8), [], []
    for _ in range(ROUNDS):
        true = np.full(20, 0.2)
        values = rng.normal(0, np.hypot(true, 0.1))
        row = own_rows([Compared(str(k), "end_diameter_mm", 5.0, 0.1, Measured(5.0 + value, 0.08), "")
                        for k, value in enumerate(values)])[0]
        seen.append(bool(row.warnings))
        told.append(row.noticed)
    assert np.mean(seen) == pytest.approx(np.mean(told), abs=0.06)


def test_the_tools_own_error_is_told_with_the_truths_own_taken_off() -> None:
    """Errors of standard deviation 3 under a truth of 4 spread by 5; the interval holds 3 about as often as it says."""
    rng, held, middle = np.random.default_rng(3), [], []
    for _ in range(400):
        values = rng.normal(30.0, 3.0, 40) - rng.normal(0, 4.0, 40)
        row = own_rows([Compared(str(k), "seen_slope_deg", 0.0, 4.0, Measured(float(value) - 30.0, 3.0), "")
                        for k, value in enumerate(values)])[0]
        low, high = row.own_error_range
        held.append(low <= 3.0 <= high)
        middle.append(row.own_error)
    assert np.median(middle) == pytest.approx(3.0, rel=0.1)
    assert 0.92 <= np.mean(held) <= 0.98


def test_what_was_not_measured_is_counted_and_named_but_judges_nothing() -> None:
    rows = own_rows([Compared("a.jpg", "end_diameter_mm", 5.0, 0.1, Measured(5.05, 0.1), ""),
                     Compared("b.jpg", "end_diameter_mm", 5.0, 0.1, None, "no card was found")])
    assert (rows[0].twigs, rows[0].measured) == (2, 1)
    assert "b.jpg: no card was found" in own_as_text(rows)


def csv_of(folder: Path, text: str) -> Path:
    file = folder / "my.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_truth_without_an_uncertainty_has_the_calipers_or_the_protractors(tmp_path: Path) -> None:
    told = read_truth(csv_of(tmp_path, "file,end_diameter_mm,end_diameter_mm_sigma,seen_slope_deg,tap,back\n"
                                       "a.jpg,5.0,,30,\"10,20\",\"30,40\"\nb.jpg,6.1,0.03,,,\n"))
    assert [(one.file, one.quantity, one.value, one.sigma) for one in told] == [
        ("a.jpg", "end_diameter_mm", 5.0, 0.1), ("a.jpg", "seen_slope_deg", 30.0, 1.5),
        ("b.jpg", "end_diameter_mm", 6.1, 0.03)]
    assert told[0].taps == ((10.0, 20.0), (30.0, 40.0)) and told[2].taps == ()


def test_a_table_of_an_office_with_semicolons_and_decimal_commas_is_read(tmp_path: Path) -> None:
    told = read_truth(csv_of(tmp_path, "\ufefffile;end_diameter_mm;seen_slope_deg\r\na.jpg;5,25;31,5\r\n"))
    assert [one.value for one in told] == [5.25, 31.5]


@pytest.mark.parametrize(("text", "told"), [
    ("", "holds no truth"),
    ("file,end_diameter_mm\n", "holds no truth"),
    ("name,end_diameter_mm\na.jpg,5\n", "column 'file'"),
    ("file,length\na.jpg,5\n", "'length'"),
    ("file,end_form\na.jpg,clean\n", "'end_form'"),
    ("file,end_diameter_mm\na.jpg,thick\n", "line 2: 'thick'"),
    ("file,end_diameter_mm\na.jpg,nan\n", "line 2: 'nan'"),
    ("file,end_diameter_mm\na.jpg,-5\n", "line 2"),
    ("file,end_diameter_mm,end_diameter_mm_sigma\na.jpg,5,-1\n", "line 2"),
    ("file,raggedness\na.jpg,0.1\n", "raggedness_sigma"),
    ("file,end_diameter_mm\na.jpg,5\na.jpg,6\n", "line 3: a.jpg stands there twice"),
    ("file,end_diameter_mm,tap\na.jpg,5,here\n", "line 2: 'here'"),
])  # fmt: skip
def test_a_table_that_cannot_be_used_says_in_one_line_what_to_do(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(CannotUse) as reason:
        read_truth(csv_of(tmp_path, text))
    assert told in str(reason.value) and "\n" not in str(reason.value)


def test_a_picture_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="holds no not-there"):
        compare(csv_of(tmp_path, "file,end_diameter_mm\nnot-there.jpg,5\n"), tmp_path)


def test_the_command_judges_the_tool_on_the_users_twigs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Renderings stand for the user's photos; their truth is exact, so it is given a small uncertainty."""
    lines = ["file,end_diameter_mm,end_diameter_mm_sigma,seen_slope_deg,seen_slope_deg_sigma"]
    for path in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[:4]:
        twig = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))["twig"]
        lines.append(f"{path.name},{twig['diameter_view_mm']:.3f},0.001,{twig['apparent_deg']:.2f},0.1")
    file = csv_of(tmp_path, "\n".join(lines))
    assert main(["check", "--truth", str(file), str(PHOTOS / "twig_on_card")]) == 0
    told = capsys.readouterr().out
    assert "diameter at the end" in told and "4 of 4" in told and "one stated uncertainty" in told


def test_a_truth_without_its_folder_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--truth", str(csv_of(tmp_path, "file,end_diameter_mm\na.jpg,5\n"))]) != 0
    assert "folder" in capsys.readouterr().err


def test_one_twig_tells_no_interval_and_says_so() -> None:
    """From one value no spread can be told: the sample variance divides by n - 1, textbook."""
    told = own_as_text(own_rows([Compared("a.jpg", "end_diameter_mm", 6.8, 0.02, Measured(6.86, 0.1), "")]))
    assert "nan" not in told and "no interval from one photo" in told


def test_a_table_of_truths_with_a_doubled_column_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "truth.csv"
    file.write_text("file,end_diameter_mm,end_diameter_mm\na.jpg,6.8,9\n")
    with pytest.raises(CannotUse, match="two columns 'end_diameter_mm'"):
        read_truth(file)
