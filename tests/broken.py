"""Does anything that is broken, or meant to harm, stop the tool, take the machine, or cost what lies beside it?

    python -m tests.broken --seed 7            10,000 pictures, 1,000 mails, 500 ZIPs and packs, 500 texts
    python -m tests.broken --seed 7 --share 0.01

Each lot is made from the seed and read in a process of its own, whose memory is limited. Told are tracebacks, what takes
longer than 10 s or more than 1 GB, processes that end, good files that were not taken in, and half-saved records.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import resource
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tests.limited import AS_A_USER

TOP = Path(__file__).parent.parent
PHOTOS = TOP / "reference_cases" / "photos"
MANY = {"picture": 10_000, "mail": 1_000, "archive": 500, "text": 500}
LOT = 250  # read by one process
MOST_SECONDS, MOST_MB, MOST_SPACE = 10.0, 1000.0, 5 << 30
Damage = Callable[[bytes, random.Random], bytes]

# ---- damage that fits any file ----


def _at(data: bytes, chance: random.Random) -> int:
    """A place in the file, oftener near its beginning, where headers stand."""
    return int(len(data) * chance.random() ** chance.choice([1, 1, 4]))


def _cut(data: bytes, chance: random.Random) -> bytes:
    return data[: _at(data, chance)]


def _flipped(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice([1, 3, 20, 200])):
        out[min(len(out) - 1, _at(data, chance))] = chance.randrange(256)
    return bytes(out)


def _number(data: bytes, chance: random.Random) -> bytes:
    """A length or a count that says something else: nothing, one too many, all there is."""
    size, at = chance.choice([1, 2, 4, 8]), _at(data, chance)
    told = chance.choice([0, 1, 255, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63]) % 2 ** (8 * size)
    return data[:at] + told.to_bytes(size, chance.choice(["big", "little"])) + data[at + size :]  # type: ignore[arg-type]


def _taken_out(data: bytes, chance: random.Random) -> bytes:
    at = _at(data, chance)
    return data[:at] + data[at + chance.randrange(1, 400) :]


def _put_in(data: bytes, chance: random.Random) -> bytes:
    at = _at(data, chance)
    return data[:at] + chance.randbytes(chance.randrange(1, 400)) + data[at:]


def _repeated(data: bytes, chance: random.Random) -> bytes:
    at = _at(data, chance)
    return data[:at] + data[at : at + chance.randrange(1, 200)] * chance.choice([2, 30, 3000]) + data[at:]


def _swapped(data: bytes, chance: random.Random) -> bytes:
    one, two = sorted((_at(data, chance), _at(data, chance)))
    return data[:one] + data[two : two + 64] + data[one + 64 : two] + data[one : one + 64] + data[two + 64 :]


def _emptied(data: bytes, chance: random.Random) -> bytes:
    at = _at(data, chance)
    return data[:at] + bytes(min(len(data) - at, chance.randrange(1, 4000))) + data[at + 4000 :]


def _nested(data: bytes, chance: random.Random) -> bytes:
    at = _at(data, chance)
    return data[:at] + data + data[at:]


def _crossed(data: bytes, chance: random.Random) -> bytes:
    """The head of one format before the body of another."""
    other = chance.choice(list(_pictures().values()))
    at = chance.randrange(4, 200)
    return data[:at] + other[at:]


def _swollen(data: bytes, chance: random.Random) -> bytes:
    """A picture whose header states far more pixels than it holds, where the format is simple enough to say so."""
    width, height = chance.choice([(9_000, 9_000), (30_000, 3_900), (65_535, 1_000), (60_000, 60_000), (0, 5), (1, 1)])
    if data.startswith(b"\x89PNG"):
        head = struct.pack(">II", width, height) + data[24:29]
        return data[:16] + head + struct.pack(">I", zlib.crc32(b"IHDR" + head)) + data[33:]
    if data.startswith(b"\xff\xd8"):
        for mark in (b"\xff\xc0", b"\xff\xc2"):
            if (at := data.find(mark)) >= 0:
                return data[: at + 5] + struct.pack(">HH", height % 65_536, width % 65_536) + data[at + 9 :]
    at = data.find(b"ispe")
    if at >= 0:
        return data[: at + 8] + struct.pack(">II", width, height) + data[at + 16 :]
    return _number(data, chance)


ANY: tuple[Damage, ...] = (_cut, _flipped, _number, _taken_out, _put_in, _repeated, _swapped, _emptied, _nested)
OF_PICTURES: tuple[Damage, ...] = (*ANY, _crossed, _swollen)

# ---- what is broken ----


@cache
def _pictures() -> dict[str, bytes]:
    """One small picture of every format that is read, with EXIF."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    with Image.open(PHOTOS / "twig_on_card" / "IMG_0016.jpg") as photo:
        exif, whole = photo.getexif().tobytes(), photo.convert("RGB").resize((320, 240))
    made: dict[str, bytes] = {}
    for name, format_, how in (
        ("a.jpg", "JPEG", {}), ("scans.jpg", "JPEG", {"progressive": True}), ("a.png", "PNG", {}), ("a.webp", "WEBP", {}),
        ("exact.webp", "WEBP", {"lossless": True}), ("a.tif", "TIFF", {}), 
        ("packed.tif", "TIFF", {"compression": "tiff_lzw"}),
        ("pages.tif", "TIFF", {"save_all": True, "append_images": [whole.resize((64, 48))]}), ("a.heic", "HEIF", {}),
        ("a.avif", "AVIF", {"speed": 10}),
    ):
        stream = io.BytesIO()
        whole.save(stream, format_, **({} if "compression" in how else {"exif": exif}), **how)  # type: ignore[arg-type]
        made[name] = stream.getvalue()
    stream = io.BytesIO()
    Image.fromarray(np.asarray(whole.convert("L")).astype(np.uint16) * 200).save(stream, "PNG")
    return made | {"deep.png": stream.getvalue()}


def _good(number: int) -> bytes:
    """A photo unlike all others, so that it is no copy."""
    stream = io.BytesIO()
    Image.fromarray(np.random.default_rng(number).integers(0, 255, (48, 64, 3), dtype=np.uint8)).save(stream, "JPEG")
    return stream.getvalue()


def _mail(number: int, picture: bytes, name: str = "a.jpg") -> bytes:
    from email.message import EmailMessage

    mail = EmailMessage()
    mail["From"], mail["To"], mail["Date"] = "Ada <ada@example.org>", "b@example.org", "Mon, 05 Jan 2026 09:00:00 +0100"
    mail["Subject"], mail["Message-ID"] = f"twig {number}", f"<{number}@x>"
    mail.set_content("Cut about 20 cm up.")
    mail.add_alternative("<html><body><p>Cut about <b>20 cm</b> up.</p></body></html>", subtype="html")
    mail.add_attachment(picture, "image", "jpeg", filename=name)
    return mail.as_bytes()


_MARKS = (b"--", b"=?utf-8?q?", b"?=", b"<![", b"<!--", b"((((", b";", b"Content-Type: message/rfc822\n\n", b"\r", b"\n\n",
          b"\0", b'"', b"\\", b"<", b"=00=", b"charset=", b"\xff", b"Content-Type: multipart/mixed; boundary=x\n\n--x\n",
          b"a@b, ")


def _marked(data: bytes, chance: random.Random) -> bytes:
    """Marks that mean something in mails, once or very often."""
    at = _at(data, chance)
    return data[:at] + chance.choice(_MARKS) * chance.choice([1, 5, 300, 20_000]) + data[at:]


def _archive(number: int, how: int) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", how) as out:
        out.writestr("one/a.jpg", _good(number))
        out.writestr("one/words.txt", "knee high " * 50)
        out.writestr("b.eml", _mail(number, _good(number + 1)))
    return stream.getvalue()


_TEXTS = {
    "signs.yaml": "wound: severed_shoot\ncut_form: {clean: 0.9, half: 0.08, torn: 0.02}\n"
                  "wound_height_mm: {value: 300, sigma: 20}\n",
    "signs.json": '{"signs": {"wound": "bark_gnawed", "wound_height_mm": {"low": 10, "high": 300}}}',
    "prior.yaml": "hare: 3\nrabbit: 1.5\n", "prices.yaml": "currency: EUR\nwage: 40\nwelded_cage: {material: 9}\n",
    "field.geojson": '{"type": "Polygon", "coordinates": [[[-76.5, 42.4], [-76.49, 42.4], [-76.49, 42.41], [-76.5, 42.4]]]}',
    "field.gpx": '<gpx><rte><rtept lat="42.4" lon="-76.5"/><rtept lat="42.4" lon="-76.4"/>'
                 '<rtept lat="42.5" lon="-76.4"/></rte></gpx>',
    "verdict.json": '{"verdict": {"presence": {"deer_browsing": 0.8, "hare": 0.2}}}',
    "tally.csv": "site,visit,plot,tree,browsed\nnorth,2025-04-01,1,1,1\nnorth,2025-04-01,1,2,0\n",
    "rows.csv": 'site,lat,lon,taken_at,signs\na,46.5,-71.2,2025-04-01,"{""wound"": ""bark_gnawed""}"\nb,46,-71,,\n',
    "register.csv": "site,form,inner_mm,built,culprits\nnorth,cage,900,2025-04-01,deer\n",
    "fence.gpx": '<gpx><trk><trkseg><trkpt lat="42.4" lon="-76.5"/><trkpt lat="42.41" lon="-76.5"/></trkseg></trk>'
                 '<wpt lat="42.4" lon="-76.5"><name>gate</name></wpt></gpx>',
    "fence.geojson": '{"type": "LineString", "coordinates": [[-76.5, 42.4], [-76.49, 42.4], [-76.49, 42.41]]}',
    "plan.yaml": "site: north\nplots: 12\nplot_m2: 50\nstopping_rule: {kind: one addition, planned: 12}\ntarget: null\n"
                 "strata: {upper: 6, lower: 6}\nseed: 3\n",
    "targets.yaml": "- {kind: trees_per_ha, value: 1100, species: [oak]}\n- {kind: share_browsed, value: 0.2}\n",
    "truth.csv": 'file,end_diameter_mm,seen_slope_deg,tap\na.jpg,5.2,31,"10,20"\nb.jpg,6.1,,\n',
    "letter.jinja": "{{ greeting }}\n{% for line in decided %}- {{ line }}\n{% endfor %}{% if kind %}"
                    "{{ share * 100 }}{% endif %}\n",
    "settings.yaml": "units: mm\nplace: east\npaper: A4\n",
}
_BITS = (b"[", b"{", b"{a: ", b'{"a":', b"9" * 5000, b"&a [*a]", b"!!python/object:x ", b"2025-W10-1", b"010", b"1:30",
         b"1e999", b"\0", b'"', b"\xff\xfe", b"\xed\xa0\x80", b",", b"x" * 200_000, b"\n", b"- ",
         b"? ", b"<<: ", b".nan", b"-", b"\\ud800", b"null", b"<x>")


def _bitten(data: bytes, chance: random.Random) -> bytes:
    """Pieces that mean something in YAML, JSON and tables, once or very often."""
    at = _at(data, chance)
    return data[:at] + chance.choice(_BITS) * chance.choice([1, 1, 50, 5000]) + data[at + chance.choice([0, 0, 5]) :]


def whole(kind: str) -> dict[str, bytes]:
    """Of a kind what is broken afterwards, whole: each name and its bytes."""
    if kind == "picture":
        return _pictures()
    if kind == "mail":
        return {"a.eml": _mail(1, _good(1))}
    if kind == "archive":
        return {"a.zip": _archive(1, zipfile.ZIP_STORED), "b.zip": _archive(2, zipfile.ZIP_DEFLATED), "a.pack": _a_pack(),
                "phone.pack": _from_a_phone()}
    return {name: text.encode() for name, text in _TEXTS.items()}


def make(kind: str, seed: str, number: int) -> tuple[str, str, bytes]:
    """One broken thing: its name, the damage, its bytes."""
    chance = random.Random(f"{seed} {kind} {number}")
    if kind == "picture":
        name, data = chance.choice(list(_pictures().items()))
        kinds: tuple[Damage, ...] = OF_PICTURES
    elif kind == "mail":
        name, data = "a.eml", _mail(1_000_000 + number, _good(number))
        kinds = (*ANY, _marked, _marked, _marked)
    elif kind == "archive":
        name = chance.choice(["a.zip", "b.zip", "a.pack", "phone.pack"])
        data = {"a.pack": _a_pack, "phone.pack": _from_a_phone}[name]() if name.endswith("pack") else _archive(
            number, chance.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED]))
        kinds = ANY
    else:
        name, text = chance.choice(list(_TEXTS.items()))
        data, kinds = text.encode(), (*ANY, _bitten, _bitten, _bitten)
    told = []
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        damage = chance.choice(kinds)
        told.append(damage.__name__.strip("_"))
        data = damage(data or b"\0", chance)
    return f"{number:05d} {name}", f"{Path(name).suffix[1:]} {'+'.join(told)}", data[:40_000_000]


@cache
def _a_pack() -> bytes:
    from diagnose.fieldlog.merge import pack
    from diagnose.fieldlog.store import open_log

    with tempfile.TemporaryDirectory() as folder:
        log = open_log(Path(folder) / "log")
        log.save_observation(photo=_good(5), site="a", note="x" * 300)
        log.save_observation(site="b", lat=46.0, lon=-71.0, signs={"wound": "bark_gnawed"})
        packed = pack(log, Path(folder) / "a.pack")
        stream = io.BytesIO()
        with zipfile.ZipFile(packed) as whole, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
            for name in whole.namelist():
                out.writestr(name, whole.read(name))
        return stream.getvalue()


@cache
def _from_a_phone() -> bytes:
    """What the pocket hands over: a wound with its photo, a tree of a tally, and a check."""
    own = "7b0e5d53-5a0e-4c5e-9b4b-3a9ad3f5a0{:02d}"
    told = {
        "wound": {"site": "north", "plot": "", "plant": "T1", "note": "", "grid": "", "position": None, "passed": [],
                  "taken_at": "2026-11-28T10:00:00.000+00:00", "signs": {"cut_form": {"choice": "clean"}}, "snow_mm": None,
                  "place": "GB", "photos": [{"id": "p1", "name": "a.jpg", "sha256": None}], "told": {}},
        "tree": {"entry": {"site": "north", "visit": "2026-11-28", "plot": "P1", "tree": "1", "browsed": "1"}},
        "check": {"barrier": own.format(9), "day": "2026-11-28", "finding": "leaning", "stem_diameter_mm": 40.0, "note": ""},
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("format", "browse pocket 1")
        out.writestr("kept.jsonl", "".join(json.dumps(
            {"id": own.format(number), "record": own.format(number), "kind": kind, "at": "2026-11-28T10:00:00.000+00:00",
             "by": "AB", "seen": [], "values": values}) + "\n" for number, (kind, values) in enumerate(told.items())))
        out.writestr("photos/p1", _good(6))
    return stream.getvalue()


# ---- reading it ----


def read_one(kind: str, file: Path, log: Any, measured: bool) -> None:
    """Reads one broken thing as the tool does; CannotUse is a good answer. measured : a picture is measured too."""
    from diagnose.diagnosis import measure_picture
    from diagnose.fieldlog.likeness import likeness
    from diagnose.fieldlog.load import import_csv
    from diagnose.fieldlog.merge import merge
    from diagnose.inbox.intake import messages
    from diagnose.photo.picture import read_picture
    from diagnose.upkeep.from_csv import register_csv

    if kind == "picture":
        data = file.read_bytes()
        likeness(data)
        picture = read_picture(data, file.name)
        if measured:
            measure_picture(picture)
    elif kind == "mail" or file.suffix == ".zip":
        for _ in messages(file):
            pass
    elif kind == "archive":
        before = _held(log)
        try:
            merge(log, file)
        except ValueError:
            assert _held(log) == before, "half merged"
            raise
    else:
        _texts()[file.name.split(" ", 1)[1]](file) if not file.name.endswith(("rows.csv", "register.csv")) else (
            import_csv if file.name.endswith("rows.csv") else register_csv)(log, file)


def _held(log: Any) -> dict[str, int]:
    from diagnose.fieldlog.tables import KINDS

    return {kind: len(log.records(kind, deleted=True)) for kind in KINDS}


@cache
def _texts() -> dict[str, Callable[[Path], object]]:
    from diagnose.culprits.prior import read_prior
    from diagnose.diagnosis import diagnose_answers
    from diagnose.protect.ground import square_ground
    from diagnose.protect.planting import planting
    from diagnose.protect.read import read_boundary, read_settings, read_verdict
    from diagnose.report.letters import as_text, letter
    from diagnose.settings import settings
    from diagnose.signs import parse_signs, read_signs
    from diagnose.survey.boundary import read_ground
    from diagnose.survey.plan import read_plan
    from diagnose.survey.tally import read_tally
    from diagnose.survey.target import read_targets
    from diagnose.upkeep.fence import read_line
    from diagnose.validation.own_truth import read_truth

    row = {"about": "oak", "pile": "ready", "photos": {}, "question": "", "received_at": None}
    facts = letter(row, diagnose_answers(parse_signs({"wound": "severed_shoot"})))

    def prices(file: Path) -> object:
        return planting(square_ground(10_000), 50, ["deer"], prices=read_settings(file))

    def boundary(file: Path) -> object:
        return read_ground(file), read_boundary(file)

    def signs(file: Path) -> object:
        return diagnose_answers(read_signs(file))

    def settled(file: Path) -> object:
        os.environ["DIAGNOSE_SETTINGS"] = str(file)
        try:
            return settings()
        finally:
            del os.environ["DIAGNOSE_SETTINGS"]

    return {"signs.yaml": signs, "signs.json": signs, "prior.yaml": read_prior, "prices.yaml": prices,
            "field.geojson": boundary,
            "field.gpx": read_ground, "verdict.json": read_verdict, "tally.csv": read_tally, "fence.gpx": read_line,
            "fence.geojson": read_line, "plan.yaml": read_plan, "targets.yaml": read_targets, "truth.csv": read_truth,
            "letter.jinja": lambda file: as_text(facts, file), "settings.yaml": settled}


def lot(kind: str, seed: str, start: int, stop: int, measured: int = 1) -> Iterator[dict[str, Any]]:
    """In a child: a lot of broken things is read one by one, then taken in together with good ones.

    measured : every so-manieth picture is measured too, if it can be read at all.
    """
    from diagnose.cannot_use import CannotUse
    from diagnose.fieldlog.store import open_log
    from diagnose.fieldlog.verify import verify
    from diagnose.inbox.work import take_in
    from diagnose.validation.memory import peak_mb

    resource.setrlimit(resource.RLIMIT_AS, (MOST_SPACE, MOST_SPACE))
    with tempfile.TemporaryDirectory() as place:
        folder, log = Path(place) / "in", open_log(Path(place) / "log")
        folder.mkdir()
        for number in range(start, stop):
            name, damage, data = make(kind, seed, number)
            (folder / name).write_bytes(data)
            yield {"begun": number, "damage": damage}
            found: dict[str, Any] = {"number": number, "damage": damage, "end": "read"}
            Path("/proc/self/clear_refs").write_text("5")  # the peak of memory begins anew (Linux, proc(5))
            clock, cpu = time.perf_counter(), time.process_time()
            try:
                read_one(kind, folder / name, log, number % measured == 0)
            except CannotUse as reason:
                found["end"] = "refused" if "\n" not in str(reason) and len(str(reason)) < 3000 else "a line too long"
            except BaseException:  # whatever it is, it is what is looked for
                found |= {"end": "traceback", "why": traceback.format_exc()[-1500:]}
            yield found | {"seconds": time.perf_counter() - clock, "cpu": time.process_time() - cpu,
                           "mb": peak_mb() * 1.048576}
        if kind in ("picture", "mail", "archive"):
            keys = _lay_good(folder, kind, start)
            try:
                take_in(log, folder)
                photos = {digest for row in log.records("submission")["photos"] for digest in row}
                lost, good = len(keys - photos), verify(log).good
                yield {"together": True, "end": "whole" if good and not lost else f"{lost} good ones lost, whole: {good}"}
            except BaseException:
                yield {"together": True, "end": "traceback", "why": traceback.format_exc()[-1500:]}
        else:
            yield {"together": True, "end": "whole" if verify(log).good else "half-saved records"}


def _lay_good(folder: Path, kind: str, start: int) -> set[str]:
    from hashlib import sha256

    keys = set()
    for number in range(3):
        own = 10_000_000 + 10 * start + number
        photo = _good(own)
        keys.add(sha256(photo).hexdigest())
        name = f"{'000'[:number]}{number * 2}5000 good"
        if kind == "mail":
            (folder / f"{name}.eml").write_bytes(_mail(own, photo))
        else:
            (folder / f"{name}.jpg").write_bytes(photo)
    return keys


def run(kind: str, seed: str, many: int, measured: int = 1, say: Callable[[str], None] = print) -> list[str]:
    """Reads so many broken things of a kind in limited processes; returns what went wrong, a line each."""
    ends: Counter[str] = Counter()
    wrong: list[str] = []
    worst = {"cpu": (0.0, ""), "mb": (0.0, "")}
    start = 0
    while start < many:
        stop = min(many, start + LOT - start % LOT)
        child = subprocess.run([sys.executable, "-m", "tests.broken", "--measured", str(measured),
                                "--child", kind, seed, str(start), str(stop)], cwd=TOP, capture_output=True, text=True,
                               env=AS_A_USER)
        told = [json.loads(line) for line in child.stdout.splitlines() if line.startswith("{")]
        begun = {one["begun"]: one["damage"] for one in told if "begun" in one}
        done = [one for one in told if "number" in one]
        for one in [one for one in told if "end" in one]:
            ends[("together: " if "together" in one else "") + one["end"]] += 1
            what = f"{kind} seed {seed} {one.get('number', f'lot {start}')} {one.get('damage', 'together')}"
            if one["end"] not in ("read", "refused", "whole"):
                wrong.append(f"{what}: {one['end']}\n{one.get('why', '')}")
            if one.get("cpu", 0) > MOST_SECONDS or one.get("mb", 0) > MOST_MB:
                wrong.append(f"{what}: {one['seconds']:.1f} s, {one['cpu']:.1f} s of one core, {one['mb']:.0f} MB")
            for name in worst:
                worst[name] = max(worst[name], (one.get(name, 0.0), what))
        if child.returncode:
            assert begun, child.stderr  # it ended before anything broken was read
            last = max(begun)
            ends["ended the process"] += 1
            wrong.append(f"{kind} seed {seed} {last} {begun.get(last)}: ended the process ({child.returncode})\n"
                         f"{child.stderr[-800:]}")
            start = last + 1
            continue
        assert len(done) == stop - start, child.stderr
        start = stop
        print(f"{kind}: {stop} of {many} read, {len(wrong)} went wrong", *wrong[-3:], sep="\n", file=sys.stderr, flush=True)
    say(f"{kind}: {many} broken, {dict(ends)}; slowest {worst['cpu'][0]:.1f} s of one core ({worst['cpu'][1]}), "
        f"most memory {worst['mb'][0]:.0f} MB ({worst['mb'][1]})")
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", default="1")
    parser.add_argument("--share", type=float, default=1.0, help="of the whole, 0 to 1")
    parser.add_argument("--only", choices=MANY)
    parser.add_argument("--measured", type=int, default=1, help="measure every so-manieth picture (1)")
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        kind, seed, start, stop = args.child
        for one in lot(kind, seed, int(start), int(stop), args.measured):
            print(json.dumps(one), flush=True)
        return 0
    wrong = [line for kind, many in MANY.items() if args.only in (None, kind)
             for line in run(kind, args.seed, max(1, round(many * args.share)), args.measured)]
    print("\n".join(wrong) or "nothing went wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
