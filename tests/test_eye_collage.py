"""The maker of training pictures: its truth agrees with its pictures."""

import cv2
import numpy as np
import pytest

from diagnose.eye.train import collage
from diagnose.eye.train.papers import CENTRES_MM
from diagnose.eye.train.shown import CLASSES, UNKNOWN

STEM = [CLASSES.index("bark"), CLASSES.index("wood")]
DRAWN = collage.load(None, "train")
MAKERS = [collage.free, collage.on_card, collage.bark, collage.nothing]


@pytest.mark.parametrize("maker", MAKERS)
def test_the_same_seed_makes_the_same_picture_and_another_seed_another(maker):
    one, again, other = (maker(np.random.default_rng(seed), DRAWN) for seed in (4, 4, 5))
    assert np.array_equal(one.bgr, again.bgr)
    assert np.array_equal(one.labels, again.labels)
    assert one.bgr.shape != other.bgr.shape or not np.array_equal(one.bgr, other.bgr)


@pytest.mark.parametrize("maker", MAKERS)
def test_every_pixel_has_a_class_or_is_unknown(maker):
    shown = maker(np.random.default_rng(11), DRAWN)
    assert shown.bgr.shape[:2] == shown.labels.shape
    assert set(np.unique(shown.labels)) <= {*range(len(CLASSES)), UNKNOWN}


@pytest.mark.parametrize("maker", [collage.free, collage.on_card])
def test_the_stem_lies_below_each_end_and_is_as_wide_as_said(maker):
    """Counted in the labels across the axis one width below the end; what covers the stem there may hide a part."""
    widths, beyond = [], []
    for seed in range(25):
        shown = maker(np.random.default_rng([1, seed]), DRAWN)
        stem = np.isin(shown.labels, STEM)
        for end in shown.ends:
            assert np.hypot(*end.outward) == pytest.approx(1)
            across = np.array([-end.outward[1], end.outward[0]])
            steps = np.arange(-0.9 * end.width, 0.9 * end.width, 0.25)
            middle = end.at - end.width * end.outward
            x, y = np.rint(middle[:, None] + across[:, None] * steps).astype(int)
            inside = (x >= 0) & (x < stem.shape[1]) & (y >= 0) & (y < stem.shape[0])
            if inside.all():
                widths.append(0.25 * stem[y, x].sum() / end.width)
            x, y = np.rint(end.at + 3.5 * end.width * end.outward).astype(int)
            if 0 <= x < stem.shape[1] and 0 <= y < stem.shape[0]:
                beyond.append(stem[y, x])
    assert len(widths) >= 12
    assert np.median(widths) == pytest.approx(1, abs=0.05)
    assert np.mean(np.abs(np.array(widths) - 1) < 0.15) > 0.75
    assert np.mean(beyond) < 0.15


def test_the_detector_finds_the_markers_where_the_sheet_says_they_are():
    """The markers are found by OpenCV's detector, which knows nothing of how they were drawn."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    off, found = [], 0
    for seed in range(10):
        shown = collage.on_card(np.random.default_rng([2, seed]), DRAWN)
        corners, ids, _ = detector.detectMarkers(shown.bgr)
        for four, number in zip(corners, [] if ids is None else ids.ravel(), strict=True):
            if number not in CENTRES_MM:
                continue
            a, b, c, d = four[0].astype(float)
            # the diagonals cross at the middle of the square, in perspective too
            t = np.linalg.solve(np.column_stack([c - a, b - d]), b - a)[0]
            said = cv2.perspectiveTransform(np.array([[CENTRES_MM[number]]]), shown.sheet)[0, 0]
            off.append(np.hypot(*(a + t * (c - a) - said)))
            found += 1
    assert found >= 40
    assert np.median(off) < 0.6
    assert np.percentile(off, 95) < 2.0


def test_a_picture_of_nothing_has_neither_an_end_nor_bark():
    for seed in range(8):
        shown = collage.nothing(np.random.default_rng([3, seed]), DRAWN)
        assert shown.ends == ()
        assert shown.all_ends
        assert not np.isin(shown.labels, STEM).any()


def test_no_repository_serves_two_splits():
    import csv
    from importlib.resources import files

    of_repository = {}
    with (files("diagnose.eye.train") / "split.csv").open() as lines:
        for row in csv.DictReader(lines):
            if row["file"].startswith("ends/"):
                assert row["split"] == "test"
            elif row["split"] != "none":
                of_repository.setdefault(row["repository"].split("@")[0], set()).add(row["split"])
    assert all(len(splits) == 1 for splits in of_repository.values())
    assert {split for splits in of_repository.values() for split in splits} == {"train", "calibrate", "test"}


def test_a_split_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="train, calibrate, test"):
        collage.load(None, "spare")
