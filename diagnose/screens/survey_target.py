"""How is a target chosen on the survey's page? The same three fields where plots are planned and where results are read."""

from __future__ import annotations

import streamlit as st

from diagnose.screens.look import literal
from diagnose.survey.choosing import chosen_target, which_holds
from diagnose.survey.target import Target, asked_for, countries, of_country

PLACEHOLDER = "1100/ha, 70% plots or 10% browsed"


def target_fields(name: str, label: str, default: str = "") -> tuple[Target | None, Target | None, str]:
    """Asks for a target of one's own, or for a country and which of its published targets holds.

    Parameters
    ----------
    name
        Tells these fields from those of another part of the page [no unit].
    label
        Of the target of one's own [no unit].
    default
        What stands in its field at first [no unit].

    Returns
    -------
    own, published, country
        The target that was typed, the one that was chosen from the published ones, and the country's name [no unit].
    """
    left, right = st.columns(2)
    country = right.selectbox("Published targets of", ["", *countries()], key=f"country_{name}",
                              format_func=lambda one: one or "no country")
    there = of_country(country) if country else []
    published = None
    if there:
        published = st.selectbox("Which of them holds here?", [None, *there], key=f"published_{name}_{country}",
                                 format_func=lambda one: "not chosen" if one is None else one.where)
        if published is not None:
            st.caption(literal(published.words))
    typed = left.text_input(label, default, key=f"own_{name}", placeholder=PLACEHOLDER).strip()
    return (chosen_target(typed) if typed else None), published, country


def one_target(name: str, label: str, default: str = "") -> Target | None:
    """The target that a plan is made for: the published one that was chosen, else the one that was typed.

    Parameters
    ----------
    name, label, default
        As `target_fields` takes them [no unit].
    """
    own, published, country = target_fields(name, label, default)
    if country and published is None:
        there = of_country(country)
        st.info(literal(which_holds(there).split(":")[0] if there else asked_for("", country)) + ".")
    return published or own
