"""A shared app lets in who has shown the code, once for each code, and nobody by guessing."""

from __future__ import annotations

from diagnose.screens.share import ALPHABET, CODE_LENGTH, Door, joining_address, new_code


def test_a_device_that_shows_the_code_is_let_in_and_stays_in() -> None:
    door = Door()
    assert not door.is_inside("phone")
    assert door.show(door.code, "phone")
    assert door.is_inside("phone")
    assert not door.is_inside("another phone")


def test_a_code_is_good_for_one_device_only() -> None:
    door = Door()
    used = door.code
    assert door.show(used, "phone")
    assert not door.show(used, "another phone")
    assert door.show(door.code, "another phone")


def test_a_code_may_be_typed_in_small_letters_and_with_blanks_round_it() -> None:
    door = Door()
    assert door.show(f" {door.code.lower()} ", "phone")


def test_after_five_wrong_codes_even_the_right_one_waits_a_minute() -> None:
    now = 0.0
    door = Door(clock=lambda: now)
    for _ in range(5):
        assert not door.show("WRONGONE", "stranger")
    assert not door.show(door.code, "phone")
    assert door.shuts_for() > 0
    now = 61.0
    assert door.shuts_for() == 0
    assert door.show(door.code, "phone")


def test_codes_differ_and_have_no_letters_that_look_alike() -> None:
    codes = {new_code() for _ in range(1000)}
    assert len(codes) == 1000
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) for code in codes)
    assert not set(ALPHABET) & set("01IO")


def test_the_address_for_a_phone_holds_the_code() -> None:
    assert joining_address(8501, "ABCDEFGH").endswith(":8501/?code=ABCDEFGH")
