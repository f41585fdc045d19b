"""A shared app lets in who has shown the code, once for each code, and nobody by guessing."""

from __future__ import annotations

from itertools import pairwise

from diagnose.screens.share import ALPHABET, CODE_LENGTH, Codes, joining_address, new_code

DAY_S = 86_400.0


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_browser_that_shows_the_code_is_let_in_and_stays_in() -> None:
    codes = Codes()
    token = codes.show(codes.code, "192.0.2.7")
    assert token is not None and codes.is_inside(token)
    assert not codes.is_inside("") and not codes.is_inside("another")


def test_a_code_is_good_for_one_browser_only() -> None:
    codes = Codes()
    used = codes.code
    assert codes.show(used, "192.0.2.7")
    assert not codes.show(used, "192.0.2.8")
    assert codes.show(codes.code, "192.0.2.8")


def test_a_code_may_be_typed_in_small_letters_and_with_blanks_round_it() -> None:
    codes = Codes()
    assert codes.show(f" {codes.code.lower()} ", "192.0.2.7")


def test_wrong_codes_never_slow_down_another_person() -> None:
    codes = Codes(clock=Clock())
    for _ in range(1_000):
        codes.show("WRONGWRONG", "192.0.2.66")
    assert codes.waits("192.0.2.66") > 0
    assert codes.waits("192.0.2.7") == 0
    assert codes.show(codes.code, "192.0.2.7")


def test_each_pause_after_the_third_wrong_code_is_longer_and_an_hour_forgets_them() -> None:
    clock = Clock()
    codes = Codes(clock=clock)
    pauses = []
    for _ in range(14):
        assert not codes.show("WRONGWRONG", "192.0.2.66")
        pauses.append(codes.waits("192.0.2.66"))
        clock.now += pauses[-1]
    assert pauses[:2] == [0, 0]
    assert all(later > earlier for earlier, later in pairwise(pauses[2:11]))
    assert max(pauses) == 900
    assert not codes.show("WRONGWRONG", "192.0.2.66")
    assert not codes.show(codes.code, "192.0.2.66")  # even the right one waits
    clock.now += 3_600
    assert codes.waits("192.0.2.66") == 0
    assert codes.show(codes.code, "192.0.2.66")


def test_one_address_has_fewer_than_250_guesses_a_day_however_it_spaces_them() -> None:
    best = 0
    for burst in range(1, 120):
        clock = Clock()
        codes = Codes(clock=clock)
        guesses = 0
        while clock.now < DAY_S:
            for _ in range(burst):
                clock.now += codes.waits("192.0.2.66")
                codes.show("WRONGWRONG", "192.0.2.66")
                guesses += clock.now < DAY_S
            clock.now += 3_600
        best = max(best, guesses)
    assert best < 250
    years = len(ALPHABET) ** CODE_LENGTH / 2 / (best * 50_000) / 365
    assert years > 100_000


def test_a_machine_with_many_addresses_of_one_network_is_one_sender() -> None:
    codes = Codes(clock=Clock())
    for last in range(10):
        codes.show("WRONGWRONG", f"2001:db8::{last + 1:x}")
    assert codes.waits("2001:db8::99") > 0
    assert codes.waits("2001:db8:1::1") == 0
    for _ in range(5):
        codes.show("WRONGWRONG", "::ffff:192.0.2.5")
    assert codes.waits("192.0.2.5") > 0


def test_guessing_from_ever_new_addresses_holds_little_memory() -> None:
    codes = Codes(clock=Clock())
    for number in range(60_000):
        codes.show("WRONGWRONG", f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}")
    assert len(codes._wrong) == 50_000


def test_codes_differ_and_have_no_letters_that_look_alike() -> None:
    codes = {new_code() for _ in range(1000)}
    assert len(codes) == 1000
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) for code in codes)
    assert not set(ALPHABET) & set("01IO")


def test_the_address_for_a_phone_holds_the_code() -> None:
    assert joining_address(8501, "ABCDEFGHJK").endswith(":8501/?code=ABCDEFGHJK")
