"""How many posts, braces and gates does a fence have, how long are they and how deep do they stand?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from diagnose.protect.barriers import Part, asked_in, catalogue, extra_wires_mm, wires
from diagnose.protect.planting import Planting
from diagnose.protect.trade import at_least

HEAD_MM = 50.0  # a post ends so far above the top; common practice, no source
# a strained length is braced again after a quarter mile, 1,000 ft on sand (BRACE-8)
BRACE_RUN_M, BRACE_RUN_SAND_M = 400.0, 300.0  # of fences that say nothing else (BRACE-8)
SAND_MORE_MM = 300.0  # braced posts stand so much deeper in sand; from memory
FROST_MORE_MM, DEEPEST_MM = 150.0, 1500.0  # feet of braced posts below the frost, no deeper than this; from memory
CROSS_AT = 0.75  # height of a cross-member as a share of the post's head (BRACE-8)


@dataclass(frozen=True)
class Posts:
    """What stands in the ground of a fence.

    Parameters
    ----------
    line, anchors
        Posts between the ends, and at corners, gates and braces within a long side [posts].
    pulls, within
        Directions in which a strained length pulls at an anchor, each of which is braced, and braces within long sides
        [braces].
    lengths
        Strained lengths, each from one anchor to the next [lengths].
    line_length_mm, end_length_mm, line_depth_mm, end_depth_mm
        Of line posts, and of anchors and brace posts [mm].
    sold
        Are both lengths sold? [no unit]
    cross_mm, cross_at_mm
        Length of a cross-member or strut, and height of the cross-member [mm].
    brace_posts
        A brace's own posts [posts].
    tie_m
        Wire for one diagonal tie, twice round [m].
    """

    line: int
    anchors: int
    pulls: int
    within: int
    lengths: int
    line_length_mm: float
    end_length_mm: float
    line_depth_mm: float
    end_depth_mm: float
    sold: bool
    cross_mm: float
    cross_at_mm: float
    brace_posts: int
    tie_m: float


def posts_of(place: Planting, part: Part) -> Posts:
    """The posts of a fence round this planting: each corner is braced both ways, each gate on both sides.

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    part
        The fence, sized [mm].

    References
    ----------
    .. [1] Depths and braces: `barriers.yaml`, BRACE-8; more in sand and frost from memory.
    """
    facts, ground = catalogue()[part.key], place.ground
    run = min(BRACE_RUN_SAND_M if place.soil == "sand" else BRACE_RUN_M, float(facts.get("brace_run_m", [BRACE_RUN_M])[0]))
    along = ground.fence_m / ground.perimeter_m
    within = sum(max(0, math.ceil(side * along / run - 1e-9) - 1) for side in ground.sides_m) if facts["strained"] else 0
    anchors = ground.corners + 2 * place.gates + within
    pulls = 2 * ground.corners + 2 * place.gates + 2 * within
    depth = float(facts["post_depth_mm"][0])
    deep = float(facts.get("end_post_depth_mm", [depth])[0]) + (SAND_MORE_MM if place.soil == "sand" else 0.0)
    if facts["strained"] and place.frost_mm > 0:
        deep = max(deep, min(place.frost_mm + FROST_MORE_MM, DEEPEST_MM))
    head = max([part.top_mm, *(wire["height_mm"] for wire in wires(part)), *extra_wires_mm(part)]) + HEAD_MM
    line, line_sold = at_least("posts", head + depth)
    end, end_sold = at_least("posts", max(head + deep, float(facts.get("end_post_mm", [0.0])[0])))
    own, across = int(facts["end_brace"]["posts"]), float(facts["end_brace"]["apart_mm"][0])
    cross_at = CROSS_AT * head
    tie = 2 * math.hypot(across, cross_at) / 1000 * 2
    lengths = ground.corners + place.gates + within
    return Posts(line_posts(place, part), anchors, pulls if own else 0, within, lengths, line, end, line - head, end - head,
                 line_sold and end_sold, across, cross_at, own, tie if own == 2 else 0.0)


def post_spacing_mm(place: Planting, part: Part) -> float:
    """The catalogue's spacing of line posts, or the country's or a programme's if that is closer [mm].

    Parameters
    ----------
    place
        The planting, its country; of its programme's demands post_spacing_mm_max is read [mm].
    part
        The fence [no unit].
    """
    own = float(catalogue()[part.key]["post_spacing_mm"][0])
    own = min(own, float(asked_in(part.key, place.country).get("post_spacing_mm", [math.inf])[0]))
    return min(own, float(place.spec.get("post_spacing_mm_max", math.inf)))


def line_posts(place: Planting, part: Part) -> int:
    """Posts between the corners, side by side of the boundary; each side begins anew.

    Parameters
    ----------
    place
        The planting, its sides [m].
    part
        The fence [no unit].
    """
    spacing = post_spacing_mm(place, part) / 1000
    along = place.ground.fence_m / place.ground.perimeter_m
    return sum(max(0, math.ceil(side * along / spacing - 1e-9) - 1) for side in place.ground.sides_m)
