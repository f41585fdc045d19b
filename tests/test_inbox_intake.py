"""What strangers send is read, grouped, and harms nothing."""

from __future__ import annotations

import io
import mailbox
import zipfile
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.inbox import intake
from diagnose.inbox.grouping import Seen, bare, groups
from diagnose.inbox.intake import messages, read_mail
from diagnose.inbox.taking import TakenIn
from diagnose.inbox.told import look_yourself, proposals
from diagnose.signs import vocabulary
from tests.conftest import PHOTOS

PHOTO = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()


def _mail(words: str = "What is it?", photos: int = 1, **heads: str) -> EmailMessage:
    mail = EmailMessage()
    usual = {"From": "Ada <ada@example.org>", "Subject": "twig", "Message_ID": "<1@x>"}
    for name, value in {**usual, **heads}.items():
        mail[name.replace("_", "-")] = value
    mail.set_content(words)
    for number in range(photos):
        mail.add_attachment(PHOTO, "image", "jpeg", filename=f"IMG_{number}.jpg")
    return mail


def test_a_mail_gives_its_words_its_photos_and_who_sent_it() -> None:
    message = read_mail(_mail("About 20 cm up.", Date="Mon, 05 Jan 2026 09:00:00 +0100").as_bytes(), "a mail")
    assert (message.address, message.name, message.about) == ("ada@example.org", "Ada", "twig")
    assert message.words == "About 20 cm up."
    assert message.at == datetime(2026, 1, 5, 8, tzinfo=UTC)
    assert [photo.data for photo in message.photos] == [PHOTO]


def test_a_mail_box_a_zip_and_a_folder_hold_the_same_messages(tmp_path: Path) -> None:
    box = mailbox.mbox(tmp_path / "all.mbox")
    for number in range(3):
        box.add(_mail(Message_ID=f"<{number}@x>").as_bytes())
    box.close()
    assert [message.key for message in messages(tmp_path / "all.mbox")] == [f"mail <{number}@x>" for number in range(3)]
    folder = tmp_path / "folder"
    (folder / "sent by Bo").mkdir(parents=True)
    (folder / "sent by Bo" / "a.jpg").write_bytes(PHOTO)
    (folder / "sent by Bo" / "b.jpg").write_bytes(PHOTO + b"x")
    (folder / "sent by Bo" / "words.txt").write_text("knee high")
    (folder / "alone.jpg").write_bytes(PHOTO)
    from_folder = list(messages(folder))
    packed = tmp_path / "packed.zip"
    with zipfile.ZipFile(packed, "w") as out:
        for file in folder.rglob("*.*"):
            out.write(file, file.relative_to(folder))
    assert {(len(one.photos), one.words) for one in from_folder} == {(1, ""), (2, "knee high")}
    assert {one.key for one in messages(packed)} == {one.key for one in from_folder}


def test_a_zip_with_names_that_leave_it_writes_nothing_anywhere(tmp_path: Path) -> None:
    packed = tmp_path / "in" / "slip.zip"
    packed.parent.mkdir()
    with zipfile.ZipFile(packed, "w") as out:
        out.writestr("../../escaped.jpg", PHOTO)
        out.writestr("/etc/escaped.jpg", PHOTO)
        out.writestr("..\\..\\escaped.jpg", PHOTO)
    names = [photo.name for message in messages(packed) for photo in message.photos]
    assert names == ["escaped.jpg"] * 3
    assert [file.name for file in tmp_path.rglob("*") if file.is_file()] == ["slip.zip"]


def test_a_zip_bomb_is_refused_before_it_bursts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "MOST_BYTES", 1_000_000)
    packed = tmp_path / "bomb.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("a/huge.jpg", b"\0" * 50_000_000)
        out.writestr("a/good.jpg", PHOTO)
    (message,) = messages(packed)
    assert [photo.name for photo in message.photos] == ["good.jpg"]
    assert "100 times its size" in message.refused[0]
    monkeypatch.setattr(intake, "MOST_UNPACKED", 10_000_000)
    with pytest.raises(CannotUse, match="unpack it yourself"):
        list(messages(packed))
    long = tmp_path / "long.zip"
    with zipfile.ZipFile(long, "w") as out:
        out.writestr("a/long.jpg", bytes(1_200_000))
    (message,) = messages(long)
    assert "larger than" in message.refused[0]


def test_an_archive_in_an_archive_is_named_and_left_shut(tmp_path: Path) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as out:
        out.writestr("x.jpg", PHOTO)
    packed = tmp_path / "outer.zip"
    with zipfile.ZipFile(packed, "w") as out:
        out.writestr("inner.zip", inner.getvalue())
    (message,) = messages(packed)
    assert message.photos == () and "an archive inside outer.zip" in message.refused[0]


def test_a_damaged_or_locked_zip_gets_one_line(tmp_path: Path) -> None:
    broken = tmp_path / "broken.zip"
    broken.write_bytes(b"PK\x03\x04 this is no zip")
    with pytest.raises(CannotUse, match="cannot be unpacked"):
        list(messages(broken))


@pytest.mark.parametrize("raw", [
    b"", b"\xff\xfe\x00junk", b"From: \x00\xff\nContent-Type: multipart/mixed; boundary=x\n\n--x\nContent-Type: image/jpeg\n"
    b"Content-Transfer-Encoding: base64\n\n!!!!notbase64", b"Content-Type: text/plain; charset=no-such-code\n\nwords",
    b"Subject: =?utf-8?q?=FF=FE?=\nFrom: =?bad\n\nhello", b"Content-Type: multipart/mixed\n\nno boundary at all",
])
def test_a_mail_with_broken_parts_is_read_as_far_as_it_goes(raw: bytes) -> None:
    message = read_mail(raw, "a broken mail")
    assert isinstance(message.words, str)


def test_a_mail_with_ten_thousand_attachments_keeps_a_few_and_says_so() -> None:
    head = "--x\r\nContent-Type: image/jpeg\r\nContent-Transfer-Encoding: base64\r\nContent-Disposition: attachment; "
    parts = "".join(f'{head}filename="{number}.jpg"\r\n\r\n/9h0aW55\r\n' for number in range(10_000))
    mail = ("From: x@example.org\r\nMIME-Version: 1.0\r\nContent-Type: multipart/mixed; boundary=x\r\n\r\n"
            f"--x\r\nContent-Type: text/plain\r\n\r\nmany\r\n{parts}--x--\r\n")
    message = read_mail(mail.encode(), "many.eml")
    assert len(message.photos) == intake.MOST_PHOTOS
    assert any("the rest was left out" in line for line in message.refused)


def test_a_mail_of_html_only_gives_its_words_without_its_scripts() -> None:
    mail = EmailMessage()
    mail["From"] = "x@example.org"
    mail.set_content("<p>Bitten &amp; <b>torn</b></p><script>alert('no')</script><style>p{}</style>", subtype="html")
    message = read_mail(mail.as_bytes(), "html.eml")
    assert message.words == "Bitten & torn"


def test_a_name_with_a_path_or_a_script_in_it_is_only_a_name() -> None:
    mail = _mail(photos=0)
    mail.add_attachment(PHOTO, "image", "jpeg", filename="../../../etc/<script>x</script>.jpg")
    (photo,) = read_mail(mail.as_bytes(), "a mail").photos
    assert "/" not in photo.name.replace("</", "")


def test_a_folder_link_is_not_followed_out_of_the_folder(tmp_path: Path) -> None:
    outside = tmp_path / "outside.jpg"
    outside.write_bytes(PHOTO)
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "link.jpg").symlink_to(outside)
    assert list(messages(folder)) == []


# ---- grouping ----

_AT = datetime(2026, 1, 5, tzinfo=UTC)


def _seen(key: str, address: str = "ada@x", thread: tuple[str, ...] = (), days: float = 0, about: str = "",
          digests: tuple[str, ...] = ()) -> Seen:
    return Seen(key, address, thread or (f"<{key}>",), _AT + timedelta(days=days), about, digests, (None,) * len(digests))


def test_an_answer_belongs_to_what_it_answers() -> None:
    assert groups([_seen("1"), _seen("2", thread=("<1>", "<2>"), days=200)]) == [[0, 1]]


def test_the_same_subject_within_a_fortnight_is_one_submission_and_later_another() -> None:
    assert groups([_seen("1", about="My oak"), _seen("2", about="RE: my  oak", days=5)]) == [[0, 1]]
    assert groups([_seen("1", about="My oak"), _seen("2", about="Re: My oak", days=60)]) == [[0], [1]]


def test_two_wounds_of_one_sender_stay_apart_and_subjects_that_say_nothing_join_nothing() -> None:
    assert groups([_seen("1", about="oak", digests=("a",)), _seen("2", about="apple", digests=("b",))]) == [[0], [1]]
    assert groups([_seen("1", about="photo"), _seen("2", about="Photo")]) == [[0], [1]]
    assert bare("AW: Re: [2] Photos!") == "2 photos" or bare("Re: Photos!") == ""


def test_the_same_photo_joins_letters_of_one_sender_but_never_of_two() -> None:
    assert groups([_seen("1", digests=("a",)), _seen("2", digests=("a",), days=90)]) == [[0, 1]]
    assert groups([_seen("1", digests=("a",)), _seen("2", address="bo@x", digests=("a",))]) == [[0], [1]]


# ---- what words tell ----


@pytest.mark.parametrize(("words", "sign", "value"), [
    ("We had deep snow until March.", "past_snow", "deep"),
    ("There was no snow this winter.", "past_snow", "none"),
    ("Small round droppings lie about.", "droppings", "round_pea"),
    ("The tops are ragged and torn.", "cut_form", "torn"),
    ("It looks as if cut with scissors, like scissors really.", "cut_form", "clean"),
    ("The bark is gnawed at the base.", "wound", "bark_gnawed"),
])
def test_plain_words_propose_a_sign(words: str, sign: str, value: str) -> None:
    assert {one.sign: one.value for one in proposals(words)}[sign] == value


@pytest.mark.parametrize(("words", "kind"), [
    ("Something bites our Scots pines.", "pine"), ("Half of the Norway spruces lost their tops.", "spruce_fir"),
    ("a young Douglas-fir", "spruce_fir"), ("The European larch was cut.", "larch"),
    ("my arborvitae hedge", "cedar_cypress"),
    ("Twenty red oaks, all bitten", "oak_beech"), ("the beeches", "oak_beech"), ("our sweet chestnut", "oak_beech"),
    ("The ash trees are girdled.", "maple_ash"), ("a mountain ash", "birch_alder"), ("the aspen suckers", "willow_poplar"),
    ("bark of my crabapple", "apple_pear"), ("an old cherry", "stone_fruit"), ("pecan saplings", "nut"),
    ("a lemon tree", "citrus_olive"), ("coffee seedlings", "citrus_olive"), ("The wattle is stripped.", "eucalypt_acacia"),
    ("oil palms, two years old", "tropical"), ("My roses were eaten.", "shrub"), ("a cherry laurel", "shrub"),
    ("the horse chestnut", "other_broadleaf"), ("a tulip poplar", "other_broadleaf"), ("The monkey puzzle", "other_conifer"),
])
def test_a_tree_that_is_named_proposes_its_kind(words: str, kind: str) -> None:
    assert [one.value for one in proposals(words) if one.sign == "tree_kind"] == [kind]


def test_every_kind_of_tree_that_has_a_name_of_its_own_is_known_by_it() -> None:
    for kind, label in vocabulary()["tree_kind"].choices.items():
        name = label.split(",")[0].split(" or ")[0]
        if kind not in ("shrub", "other_broadleaf", "other_conifer"):  # their labels name none, or many
            assert [one.value for one in proposals(f"It is a {name} tree.") if one.sign == "tree_kind"] == [kind]


@pytest.mark.parametrize("words", [
    "I saw a pine marten.", "wood ash lies about", "the fire left ash", "the sun rose", "a rubber tube round it",
    "poison oak grows there", "lime was spread", "in the palm of my hand", "pine needles on the snow", "firm ground",
    "a beach", "I planted it last spring.",
])
def test_words_that_only_sound_like_a_tree_propose_none(words: str) -> None:
    assert [one for one in proposals(words) if one.sign == "tree_kind"] == []


def test_of_several_kinds_of_trees_in_one_letter_none_is_proposed_as_the_one_that_was_hurt() -> None:
    assert [one for one in proposals("The oaks are bitten, the pines beside are whole.") if one.sign == "tree_kind"] == []
    assert [one.value for one in proposals("Oak after oak, and a beech.") if one.sign == "tree_kind"] == ["oak_beech"]


@pytest.mark.parametrize(("words", "mm"), [
    ("cut about 20 cm up", 200), ("8 inches above the ground", 203), ("1.2 m high", 1200), ("waist high", 1000),
    ("2 feet off the ground", 610),
])
def test_a_height_in_words_is_a_height_with_a_wide_uncertainty(words: str, mm: float) -> None:
    (found,) = [one for one in proposals(words) if one.sign == "wound_height_mm"]
    assert found.value["value"] == pytest.approx(mm, abs=1)
    assert found.value["sigma"] >= 0.1 * mm


def test_the_depth_of_snow_is_no_height_of_a_wound() -> None:
    assert not [one for one in proposals("We had 3 feet of snow") if one.sign == "wound_height_mm"]


def test_quoted_letters_propose_nothing() -> None:
    assert proposals("Thanks!\n> The tops are torn\nOn Monday somebody wrote:\nwaist high") == []


def test_a_proposal_quotes_the_senders_sentence_as_it_was_written() -> None:
    found, tree = proposals("Dear all!\nLast week, Ada's oaks were CUT CLEAN by something. Please help.")
    assert (found.sign, tree.sign) == ("cut_form", "tree_kind") and tree.words == found.words
    assert found.words == "Last week, Ada's oaks were CUT CLEAN by something."
    (found,) = proposals(f"{'so on ' * 80}and all were torn {'and so on ' * 80}")
    quoted = found.words.removeprefix("\u2026 ").removesuffix(" \u2026").split()
    assert "torn" in quoted and set(quoted) <= {"so", "on", "and", "all", "were", "torn"} and len(found.words) < 250


def test_words_of_poison_disease_or_quarrel_are_for_the_adviser() -> None:
    assert look_yourself("My neighbour put out poison bait") != []
    assert look_yourself("The top is bitten off") == []


def test_an_intake_tells_what_came_and_nothing_of_what_did_not() -> None:
    assert str(TakenIn(new=1, photos=1)) == "1 new submission with 1 photo"
    assert str(TakenIn(new=0, photos=2, added_to=1, already=3, refused=["b.zip: damaged"])) == (
        "0 new submissions with 2 photos, 1 letter added to older ones, 3 letters taken in before\nb.zip: damaged")


def test_what_is_taken_in_from_no_file_is_told_by_name(tmp_path: Path) -> None:
    for name, data in (("message.msg", b"x"), ("deep/form.docx", b"x"), ("Thumbs.db", b"x"), (".hidden", b"x"),
                       ("note.txt", b"eaten"), ("empty.eml", b"")):
        file = tmp_path / "pile" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    refused = [line for one in messages(tmp_path / "pile") for line in one.refused]
    assert len(refused) == 3 and all("\n" not in line for line in refused)
    told = " ".join(refused)
    assert all(name in told for name in ("message.msg", "form.docx", "note.txt", "empty.eml"))
    assert "Thumbs.db" not in told and ".hidden" not in told
