"""Exact look-up: against a plain reading of the same texts, for any query, and over any damage."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import copy_of_demo, environment
from helpers import text, within
from small_folders import write_cases

from casebase.problems import Refused
from casebase.record.folder import load_all
from casebase.retrieve import lookup as looking
from casebase.retrieve.cache import cache_folder
from casebase.retrieve.lookup import FIELDS, MAX_QUERY, PASSAGE, look_up, passage, texts


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of_demo(tmp_path_factory.mktemp("lookup"))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three small cases whose index goes to a cache of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return write_cases(
        tmp_path / "shop",
        {
            "26-001-a": {
                "title": "A job",
                "complaint": "the bulb leaks",
                "body": "Split at the neck. Never seen before.",
            },
            "26-002-b": {"complaint": "leaks at the tank", "title": "A dripping tank"},
            "26-003-c": {"complaint": "no spark", "machine": {"kind": "blower", "tag": "B-7"}},
        },
    )


def ids(folder: Path, query: str, limit: int = 1000) -> set[str]:
    found = look_up(folder, query, limit)
    assert len(found.hits) == min(found.total, limit)
    return {hit.id for hit in found.hits}


def words(text: str) -> list[str]:
    return re.findall(r"\w+(?:\.?\w+)*", text.lower())


# What is found.


@pytest.mark.parametrize("query", ["bulb", "leak", "the", "a", "metering", "0.024", "psi", "nowhere", "T"])
def test_a_word(demo, query):
    cases = load_all(demo)[0]
    expected = {case.id for case in cases if query.lower() in words("\n".join(dict(texts(case)).values()))}
    assert ids(demo, query) == expected


@pytest.mark.parametrize("field", FIELDS)
def test_a_field(demo, field):
    cases = load_all(demo)[0]
    for word in ("trimmer", "bulb", "fixed", "choke", "two"):
        expected = {case.id for case in cases if word in words(dict(texts(case))[field])}
        assert ids(demo, f"{field}:{word}") == expected


def test_phrases(demo):
    cases = load_all(demo)[0]
    for phrase in ("primer bulb", "metering diaphragm stiff", "on choke", "bulb primer"):
        expected = {
            case.id for case in cases if f" {phrase} " in f" {' '.join(words(' '.join(dict(texts(case)).values())))} "
        }
        assert ids(demo, f'"{phrase}"') == expected


def test_operators(demo):
    bulb, leak, choke = (ids(demo, word) for word in ("bulb", "leak", "choke"))
    every = ids(demo, "NOT nowhere")
    assert len(every) == len(load_all(demo)[0])
    assert ids(demo, "bulb leak") == ids(demo, "bulb AND leak") == bulb & leak
    assert ids(demo, "bulb OR leak") == bulb | leak
    assert ids(demo, "bulb AND NOT leak") == ids(demo, "bulb NOT leak") == bulb - leak
    assert ids(demo, "choke AND (bulb OR leak)") == choke & (bulb | leak)
    assert ids(demo, "NOT (bulb OR leak)") == every - bulb - leak
    assert ids(demo, "cho*") >= choke
    assert ids(demo, "BULB") == ids(demo, "bu*b") | bulb


def test_what_is_told(shop):
    found = look_up(shop, "bulb AND (leak OR leaks)")
    (hit,) = found.hits
    assert (hit.id, hit.number, hit.title) == ("26-001-a", "26-001", "A job")
    assert hit.passage == "the bulb leaks"
    assert (found.total, found.suggestion, found.notes) == (1, "", ())
    assert "bulb" in found.read_as
    assert "text:" not in found.read_as


def test_the_limit(demo):
    few = look_up(demo, "the", 3)
    assert len(few.hits) == 3
    assert few.total > 3
    assert ids(demo, "the", 3) <= ids(demo, "the")


@pytest.mark.parametrize(
    ("query", "better"),
    [
        ("bulbb", "bulb"),
        ("metering AND diaphragn", "metering AND diaphragm"),
        ("complaint:chokke", "complaint:choke"),
        ("bulb NOT diaphragn", ""),
        ("qqqqqqqq", ""),
        ("zz", ""),
        ("bulb AND qqqqqqqq", ""),
    ],
)
def test_suggestions(demo, query, better):
    found = look_up(demo, query)
    assert found.suggestion == better
    assert not better or look_up(demo, better).total


def test_passages():
    (case,) = [c for c in load_all(Path(__file__).parents[1] / "cases")[0] if c.id.startswith("24-009")]
    assert passage(case, {"bulb", "thumb"}).count("bulb")
    assert passage(case, {"nowhere"}) == ""
    long = passage(case, {"the", "it", "as", "long", "bulb", "ran"})
    assert len(long) <= PASSAGE + 2


# Any query.

ODD = [
    "a-b", "NEAR(", "AND", "OR", "NOT", "AND bulb", "bulb AND", "bulb OR", "bulb NOT", "(bulb", "bulb)", ")bulb(",
    '"bulb', 'bulb"', '"" bulb', '""bulb""', "title:", "body:", "title:*", "nofield:bulb", "id:26-001-a", "text:bulb",
    "bul*", "*ulb", "b?lb", "/bulb/", "bulb~", "bulb~2/3", "bulb^2", "bulb^x", "[a TO b]", "[a TO", "{a TO}", "<bulb",
    "date:[2020 TO 2021]", '"bulb leak"~3', '"bulb"*', "+bulb -leak", "bulb's", "'bulb", "bulb\x00leak", "\x1b[31mbulb",
    "bulb\nleak", "bulb ANDNOT leak", "bulb ANDMAYBE leak", "bulb REQUIRE leak", "NOT " * 100 + "bulb", "a " * 249,
    "*" * 400 + "a", "a*" * 200, "(" * 400 + "bulb", "bulb" + ")" * 400, "((((bulb))))", "ſ", "İ", "\ud800x", "1/8",
    "title:title:bulb", "title:(bulb OR", "title:AND", "bulb AND AND leak", "\u202ebulb", "x" * MAX_QUERY,
]  # fmt: skip


@pytest.mark.parametrize("query", ODD)
def test_any_query_is_answered(shop, query):
    found = look_up(shop, query)
    assert len(found.hits) == found.total
    assert isinstance(found.read_as, str)


@pytest.mark.parametrize(
    "query", ["bulb AND", "(bulb", "bulb)", '"bulb', 'bulb"', "title:bulb OR bulb", "[bulb", "(" * 400 + "bulb"]
)
def test_plain_words_are_found_whatever_stands_around_them(shop, query):
    assert "26-001-a" in ids(shop, query.replace(" AND", ""))


@pytest.mark.parametrize("query", ["", "   ", '"', "*", "(", "(" * 50_000, "-", "\\", "\x1b", "!?", "\u202e"])
def test_no_words_are_refused(shop, query):
    with pytest.raises(Refused, match=r"no words|characters"):
        look_up(shop, query)


def test_too_long_a_query_is_refused(shop):
    with pytest.raises(Refused, match="10,000 characters; 500 are allowed"):
        look_up(shop, "bulb leaks" * 1000)


def test_random_queries(shop):
    chance = random.Random(5)
    pieces = [
        "bulb",
        "leaks",
        "AND",
        "OR",
        "NOT",
        "(",
        ")",
        '"',
        "*",
        "title:",
        "body:",
        "~",
        "^",
        "[",
        "TO",
        "]",
        "-",
        " ",
    ]
    for _query in range(300):
        query = "".join(chance.choice(pieces) + chance.choice(["", " "]) for _piece in range(chance.randrange(1, 12)))
        if any(char.isalnum() for char in query):
            look_up(shop, query)


def test_no_folder(tmp_path):
    with pytest.raises(Refused, match="is not a folder"):
        look_up(tmp_path / "x", "bulb")


def test_an_empty_folder(tmp_path):
    assert look_up(tmp_path, "bulb").total == 0
    assert look_up(tmp_path, "bulb").total == 0


# In step with the files.


def test_only_what_changed_is_read_again(shop, monkeypatch):
    read: list[str] = []
    write = looking._write

    def counted(writer: object, entry: object, *, fresh: bool) -> None:
        read.append(entry.id)  # type: ignore[attr-defined]
        write(writer, entry, fresh=fresh)

    monkeypatch.setattr(looking, "_write", counted)
    assert ids(shop, "leaks") == {"26-001-a", "26-002-b"}
    assert len(read) == 3
    read.clear()
    assert ids(shop, "leaks") == {"26-001-a", "26-002-b"}
    assert read == []

    write_cases(shop, {"26-002-b": {"complaint": "the tank is dry"}})
    assert ids(shop, "leaks") == {"26-001-a"}
    write_cases(shop, {"26-004-d": {"complaint": "leaks too"}})
    assert ids(shop, "leaks") == {"26-001-a", "26-004-d"}
    (shop / "26-001-a.md").rename(shop / "26-005-e.md")
    assert ids(shop, "leaks") == {"26-004-d", "26-005-e"}
    (shop / "26-004-d.md").write_text("broken now, but it leaks")
    assert ids(shop, "leaks") == {"26-005-e"}
    (shop / "26-005-e.md").unlink()
    assert ids(shop, "leaks") == set()
    (shop / "26-004-d.md").write_text(text(body="It leaks again."))
    assert ids(shop, "leaks") == {"26-004-d"}
    assert read == ["26-002-b", "26-004-d", "26-005-e", "26-004-d", "26-004-d"]


def test_progress(shop):
    seen = []

    def progress(entries: object, total: int) -> object:
        seen.append(total)
        return entries

    look_up(shop, "bulb", progress=progress)  # type: ignore[arg-type]
    look_up(shop, "bulb", progress=progress)  # type: ignore[arg-type]
    assert seen == [3]


def test_nothing_is_written_beside_the_cases(shop):
    before = sorted(path.name for path in shop.iterdir())
    look_up(shop, "bulb")
    assert sorted(path.name for path in shop.iterdir()) == before


def test_an_index_that_came_with_a_folder_is_never_opened(shop):
    """whoosh unpickles what it opens, so only what this program put into the user's own cache is opened."""
    look_up(shop, "bulb")
    shutil.copytree(cache_folder(shop) / "lookup", shop / "lookup")
    for path in (shop / "lookup").iterdir():
        path.write_bytes(b"not a pickle")
    assert look_up(shop, "bulb").notes == ()


def test_nothing_private_is_kept(shop):
    (shop / "26-006-x.md").write_text(text("private: {owner: Zyxwvut Qponmlk, phone: '5550001'}", "It leaks."))
    assert "26-006-x" in ids(shop, "leaks")
    kept = b"".join(path.read_bytes() for path in cache_folder(shop).rglob("*") if path.is_file()).lower()
    for secret in ("zyxwvut", "qponmlk", "5550001", "owner"):
        assert secret.encode() not in kept
        assert look_up(shop, secret).total == 0


# Damage.


def damages() -> dict[str, Callable[[Path], object]]:
    def in_file(change: Callable[[bytes], bytes], number: int) -> Callable[[Path], object]:
        def damage(place: Path) -> None:
            path = sorted(path for path in place.iterdir() if path.stat().st_size)[number]
            path.write_bytes(change(path.read_bytes()))

        return damage

    def flip(data: bytes) -> bytes:
        middle = len(data) // 2
        return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]

    def swap(place: Path, make: Callable[[Path], object]) -> None:
        shutil.rmtree(place)
        make(place)

    every = {
        f"{name} in file {number}": in_file(change, number)
        for number in range(3)
        for name, change in (
            ("cut", lambda data: data[: len(data) // 2]),
            ("flip", flip),
            ("empty", lambda _data: b""),
            ("zeroes", lambda data: bytes(len(data))),
        )
    }
    return {
        **every,
        "one gone": lambda place: next(place.glob("*.seg")).unlink(),
        "all gone": lambda place: [path.unlink() for path in place.iterdir()],
        "one more": lambda place: (place / "_MAIN_99.toc").write_bytes(b"x"),
        "a pipe": lambda place: os.mkfifo(place / "pipe"),
        "known a pipe": lambda place: ((place / "known").unlink(), os.mkfifo(place / "known")),
        "known a list": lambda place: (place / "known").write_text("[1]"),
        "known a link": lambda place: (
            (place / "known").rename(place.parent / "k") and (place / "known").symlink_to(place.parent / "k")
        ),
        "a directory": lambda place: (place / "more").mkdir(),
        "a file instead": lambda place: swap(place, lambda path: path.write_text("x")),
        "a pipe instead": lambda place: swap(place, os.mkfifo),
        "a link instead": lambda place: (
            place.rename(place.parent / "moved") and place.symlink_to(place.parent / "moved")
        ),
        "a loop instead": lambda place: swap(place, lambda path: path.symlink_to(path)),
    }


@pytest.mark.parametrize("what", damages())
def test_a_damaged_index_is_noticed_and_built_anew(shop, what):
    expected = look_up(shop, "leaks")
    place = cache_folder(shop) / "lookup"
    damages()[what](place)
    with within(20):
        found = look_up(shop, "leaks")
    assert found.hits == expected.hits
    assert len(found.notes) == 1
    assert "built anew" in found.notes[0]
    assert look_up(shop, "leaks") == expected


def test_another_version_is_built_anew_without_ado(shop, monkeypatch):
    expected = look_up(shop, "leaks")
    monkeypatch.setattr(looking, "__version__", "99")
    assert look_up(shop, "leaks") == expected


def test_without_a_cache_the_answer_is_the_same(shop, monkeypatch):
    expected = look_up(shop, "leaks")
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null/none")
    found = look_up(shop, "leaks")
    assert found.hits == expected.hits
    assert len(found.notes) == 1
    assert "cannot be written" in found.notes[0]


def test_a_full_disk(shop):
    """A real limit on the size of files, in a process of its own; what the disk does not take is kept in memory."""
    script = (
        "import resource, signal, sys, pathlib\nfrom casebase.retrieve.lookup import look_up\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\nresource.setrlimit(resource.RLIMIT_FSIZE, (900, 900))\n"
        "found = look_up(pathlib.Path(sys.argv[1]), 'leaks')\nprint(len(found.hits), found.notes)"
    )
    done = subprocess.run([sys.executable, "-c", script, shop], env=environment(), capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("2 (")
    assert "File too large" in done.stdout
    assert look_up(shop, "leaks").total == 2


def test_processes_that_look_up_at_once(shop):
    script = (
        "import sys, pathlib, json\nfrom casebase.retrieve.lookup import look_up\n"
        "print(json.dumps(sorted(hit.id for hit in look_up(pathlib.Path(sys.argv[1]), 'leaks').hits)))"
    )
    command = [sys.executable, "-c", script, shop]
    running = [
        subprocess.Popen(command, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(4)
    ]
    ended = [process.communicate() for process in running]
    assert [json.loads(out) for out, _err in ended] == [["26-001-a", "26-002-b"]] * 4
