"""What do the pictures of a ray tracer show?

A folder of pictures IMG_xxxx.jpg, each with its truth IMG_xxxx.json and with IMG_xxxx_lab.png, whose pixels are indices of
CLASSES. A truth may name what is `alike` an end and is none, such as a shadow's end: place, direction and width, in pixels.
"""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

from diagnose.eye.train.shown import Shown, ShownEnd


def read(truth_file: Path) -> Shown:
    """The picture that belongs to one truth file; upright, with its severed ends.

    Parameters
    ----------
    truth_file
        IMG_xxxx.json, beside its picture and its labels [no unit].
    """
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    bgr = cv2.imread(str(truth_file.with_suffix(".jpg")))
    labels = cv2.imread(str(truth_file.with_name(truth_file.stem + "_lab.png")), cv2.IMREAD_GRAYSCALE)
    assert bgr is not None and labels is not None, truth_file
    ends = []
    if "twig" in truth:
        twig = truth["twig"]
        at, axis = np.array(twig["end_centre_px"]), np.array(twig["axis_px_dir"])
        width = twig["diameter_px"] * twig["diameter_view_mm"] / twig["diameter_mm"]
        ends.append(ShownEnd(at, -axis, width, truth["truth"]["kind"], twig.get("slope")))
        if twig.get("far_px") is not None:
            far = np.array(twig["far_px"])
            outward = (far - at) / max(float(np.linalg.norm(far - at)), 1e-6)
            if np.all(far > -20) and np.all(far < np.array(bgr.shape[1::-1]) + 20):
                ends.append(ShownEnd(far, outward, width, "clean"))
    alike = tuple(ShownEnd(np.array(at), np.array(outward), width, None) for at, outward, width in truth.get("alike", []))
    sheet = np.array(truth["card"]["H_card_to_image"]) if "card" in truth else None
    source = {"maker": "rendered", "scene": truth["scene"], "ground": str(truth.get("ground")),
              "light": truth["light"]["light"], "seed": str(truth["seed"])}  # fmt: skip
    return Shown(bgr, labels, tuple(ends), True, alike, sheet, source)
