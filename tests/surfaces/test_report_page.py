"""The report page: what it says, that it holds together, and that nothing in it can do harm."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from report_readings import (
    HOSTILE,
    RATE_HZ,
    damaged,
    good,
    make_block,
    make_reading,
    make_recording,
    make_symbols,
    nothing,
    unchecked,
)
from tapewright.cards import load_format
from tapewright.chain import Verdict
from tapewright.image import compare
from tapewright.model import (
    AudioError,
    Block,
    Fault,
    Image,
    OutputError,
    Range,
    Reading,
    Recording,
    Samples,
    Span,
    Stretch,
)
from tapewright.report import report_html, write_report

CARD = load_format("kcs-300")
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Page(HTMLParser):
    """The page taken apart: text by section, all tags, all attributes."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.scripts: dict[str, str] = {}
        self.texts: dict[str, str] = {}
        self.title = ""
        self.styles = ""
        self.byte_titles: list[tuple[str, str, str]] = []  # title, classes, text
        self._open: list[tuple[str, dict[str, str]]] = []
        self.feed(html)
        self.close()
        assert not self._open, "every element is closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in given.items()]
        if tag not in VOID:
            self._open.append((tag, given))
        if tag == "b" and "title" in given:
            self.byte_titles.append((given["title"], given.get("class", ""), ""))

    def handle_endtag(self, tag: str) -> None:
        while self._open.pop()[0] != tag:
            # Only elements whose end may be left out are closed by another's.
            pass

    def handle_data(self, data: str) -> None:
        tag, given = self._open[-1] if self._open else ("", {})
        if tag == "script":
            self.scripts[given.get("id", f"script {len(self.scripts)}")] = data
        elif tag == "style":
            self.styles += data
        elif tag == "title":
            self.title += data
        else:
            if tag == "b" and "title" in given:
                title, classes, text = self.byte_titles[-1]
                self.byte_titles[-1] = (title, classes, text + data)
            for _, attributes in self._open:
                if "id" in attributes:
                    self.texts[attributes["id"]] = self.texts.get(attributes["id"], "") + data

    def text(self, section: str) -> str:
        return " ".join(self.texts.get(section, "").split())


def page_of(found: tuple[Reading, Recording], **more: object) -> Page:
    reading, source = found
    return Page(report_html(reading, card=CARD, source=source, **more))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "found, state, word",
    [
        (good(), "good", "Good"),
        (unchecked(), "unchecked", "Read, unchecked"),
        (damaged(), "damaged", "Damaged"),
        (nothing(), "nothing", "Nothing found"),
    ],
    ids=["good", "unchecked", "damaged", "nothing"],
)
def test_every_section_is_there_and_the_verdict_comes_first(
    found: tuple[Reading, Recording], state: str, word: str
) -> None:
    page = page_of(found)
    assert ("header", "class", state) in page.attributes
    assert page.text("verdict").startswith(word)
    sections = [value for _, name, value in page.attributes if name == "id" and value in page.texts]
    order = [name for name in sections if name in ("verdict", "facts", "tape", "blocks", "bytes", "notes")]
    assert order == ["verdict", "facts", "tape", "blocks", "bytes", "notes"]
    assert "tape.wav" in page.text("facts")
    assert "Kansas City standard" in page.text("facts")
    assert "headphones" in page.text("notes")
    assert "data-strip" in page.scripts
    assert "data-closeup" in page.scripts


def test_stretches_have_a_section_of_their_own_where_they_are_given() -> None:
    stretches = (
        Stretch(Span(0.0, 0.5), "sound", "hum", "mains hum", "use another lead"),
        Stretch(Span(0.5, 1.25), "block", "good", "a block and <b>its</b> check"),
    )
    text = page_of(good(), stretches=stretches).text("stretches")
    assert "0.000 to 0.500 mains hum use another lead" in text
    assert "0.500 to 1.250 a block and <b>its</b> check" in text
    assert page_of(good()).text("stretches") == ""


def test_a_good_reading_tells_what_was_read() -> None:
    page = page_of(good())
    assert "11 bytes" in page.text("verdict")
    assert "2.0 % fast" in page.text("facts")
    assert "ab" * 32 in page.text("facts")
    assert "the only channel" in page.text("facts")
    for said in ("0200 to 020A", "11", "ok", "above 0.9999", "+2.0 %", "start 512 (200h)", "“DEMO”"):
        assert said in page.text("blocks")


def test_damage_is_told_in_words_with_what_to_do() -> None:
    page = page_of(damaged())
    verdict = page.text("verdict")
    for said in (
        "1 of 1 block failed its check.",
        "1 byte could not be read at all.",
        "1 byte is doubtful.",
        "Clean the head.",
        "Use another lead.",
    ):
        assert said in verdict
    assert "dropout: no signal, where 1 byte stood" in page.text("blocks")
    by_address = {title[:4]: (title, classes, text) for title, classes, text in page.byte_titles}
    assert len(by_address) == 7
    seconds = damaged()[0].blocks[0].byte_seconds
    assert by_address["0202"] == (f"0202: confidence 0.42, at {seconds[2]:.3f} s", "s4", "4D")
    assert by_address["0204"][1:] == ("lost", "??")
    assert "could not be read" in by_address["0204"][0]


def test_a_block_without_check_is_damaged_where_a_byte_is_doubtful() -> None:
    symbols = make_symbols(b"AB")
    block = make_block(b"AB", symbols, check="none", byte_confidence=np.array([0.9999, 0.6]))
    page = page_of((make_reading(block, symbols=symbols), make_recording(symbols)))
    assert page.text("verdict").startswith("Damaged")
    assert ("tbody", "class", "damaged") in page.attributes
    assert '"damaged blocks"' in page.scripts["data-strip"]


def test_nothing_found_says_where_the_chain_stopped_and_what_to_do() -> None:
    verdict = page_of(nothing()).text("verdict")
    assert "Nothing in this recording sounds like format kcs-300." in verdict
    assert "no symbols of this format were heard" in verdict
    assert "What to do" in verdict


def test_symbols_without_blocks() -> None:
    symbols = make_symbols(b"AB")
    page = page_of((make_reading(symbols=symbols), make_recording(symbols)))
    assert f"The chain stopped after {len(symbols)} symbols" in page.text("verdict")
    assert "data-speed" in page.scripts


def test_repaired_bytes_are_named_and_marked() -> None:
    data = b"HELLO"
    symbols = make_symbols(data)
    block = make_block(data, symbols, check="repaired", repaired_offsets=(3,))
    page = page_of((make_reading(block, symbols=symbols), make_recording(symbols)))
    assert page.text("verdict").startswith("Good, repaired")
    assert "repaired: 0203" in page.text("blocks")
    assert [title[:4] for title, classes, _ in page.byte_titles if "fixed" in classes] == ["0203"]


def test_of_two_copies_the_surer_says_when_a_byte_was_heard() -> None:
    symbols = make_symbols(b"ABC")
    first = make_block(b"ABX", symbols, byte_confidence=np.array([0.9, 0.99, 0.3]), check="bad")
    again = make_block(
        b"ABC", symbols, byte_confidence=np.full(3, 0.95), byte_seconds=np.array([7.0, 8.0, 9.0]), check="bad"
    )
    reading = make_reading(first, again, symbols=symbols)
    reading = replace(
        reading, image=Image((Range(0x0200, b"ABC"),)), image_confidence=(np.array([0.95, 0.99, 0.95]),)
    )
    titles = [title for title, _, _ in page_of((reading, make_recording(symbols))).byte_titles]
    heard = [title.rpartition("at ")[2] for title in titles]
    assert heard == ["7.000 s", f"{first.byte_seconds[1]:.3f} s", "9.000 s"]


def hostile_reading() -> tuple[Reading, Recording]:
    data = b"<b>&\"'"
    symbols = make_symbols(data)
    block = make_block(
        data,
        symbols,
        kind=HOSTILE,
        fields={HOSTILE: HOSTILE},
        check="bad",
        faults=(Fault(HOSTILE, HOSTILE, Span(1.0, 1.1), HOSTILE),),
    )
    reading = make_reading(
        block, symbols=symbols, faults=(Fault("odd", HOSTILE, Span(0.1, 0.2)),), rivals=((HOSTILE, 3.0),)
    )
    reading = replace(reading, source=replace(reading.source, path=HOSTILE, sha256=HOSTILE), format=HOSTILE)
    sound = make_recording(symbols).samples
    return reading, Recording(sound, RATE_HZ, HOSTILE, HOSTILE, (HOSTILE,))


HURTFUL = Stretch(Span(0.0, 1.0), "sound", "other", HOSTILE, HOSTILE)


def test_hostile_names_do_no_harm_anywhere() -> None:
    plain, hostile = page_of(good()), page_of(hostile_reading(), channel_notes=[HOSTILE], stretches=[HURTFUL])
    assert "img" not in hostile.tags
    assert hostile.tags.count("script") == plain.tags.count("script")
    assert not [name for _, name, _ in hostile.attributes if name.startswith("on")]
    # What was given is still there to be read, less the signs that would turn or hide the text.
    shown = HOSTILE.replace("\u202e", "\N{REPLACEMENT CHARACTER}").replace(
        "\x07", "\N{REPLACEMENT CHARACTER}"
    )
    for section in ("verdict", "facts", "blocks", "stretches", "notes"):
        assert " ".join(shown.split()) in hostile.text(section)
    assert "onerror=alert(2)>" in hostile.title  # the last part of what looks like a path
    assert "\u202e" not in json.dumps(hostile.texts, ensure_ascii=False)
    assert not [char for char in hostile.title if not char.isprintable() and char != "\n"]


def test_hostile_names_do_no_harm_in_figures_which_take_tags_for_markup() -> None:
    figures = {
        name: json.loads(text) for name, text in page_of(hostile_reading()).scripts.items() if "data-" in name
    }
    texts = [text for figure in figures.values() for text in strings_in(figure)]
    assert any("alert(1)" in text for text in texts)  # it does get there
    for text in texts:
        tags = set(re.findall(r"<[^>]*>?", text))
        assert tags <= {"<br>", "<extra>", "</extra>"}


def strings_in(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from strings_in(item)
    elif isinstance(value, list):
        for item in value:
            yield from strings_in(item)


def test_nothing_is_loaded_from_anywhere() -> None:
    page = page_of(damaged())
    for tag, name, value in page.attributes:
        assert name not in ("src", "href", "srcset", "action", "poster", "data", "background"), (
            tag,
            name,
            value,
        )
    assert "link" not in page.tags
    assert not re.search(r"url\(|@import", page.styles)
    policy = next(
        value for tag, name, value in page.attributes if name == "content" and "default-src" in value
    )
    assert "default-src 'none'" in policy
    assert "http" not in policy
    settings = json.loads(page.scripts["plot-settings"])
    # The figure library's own set of buttons has one that sends a figure to its maker.
    assert {button for group in settings["modeBarButtons"] for button in group} == {
        "toImage", "zoom2d", "pan2d", "resetScale2d",
    }  # fmt: skip
    assert settings["plotlyServerURL"] == ""


def test_differences_from_the_program_are_listed_with_their_addresses() -> None:
    reading, source = good(b"HELLO")
    program = Image((Range(0x01FF, b"\x01HELP"), Range(0x0204, b"O!")))
    page = page_of((reading, source), image=program)
    assert page.text("verdict").startswith("Differs")
    said = page.text("differences")
    assert "1 of 5 bytes in both differs." in said
    assert "01FF 01 not there" in said
    assert "0203 50 4C" in said
    assert "0205 21 not there" in said


def test_an_equal_program_is_said_to_be_equal() -> None:
    reading, source = good(b"HELLO")
    page = page_of((reading, source), image=Image.from_bytes(b"HELLO", 0x0200))
    assert page.text("verdict").startswith("Good")
    assert "Equal: 5 bytes, each at its address." in page.text("differences")


def test_a_program_that_cannot_be_compared_is_no_reason_to_fail() -> None:
    reading, source = good(b"HELLO")
    mixed = Image((Range(0x0200, b"HE"), Range(None, b"LLO")))
    assert "could not be compared" in page_of((reading, source), image=mixed).text("differences")


@pytest.mark.parametrize("program, word", [(b"HELLO", "Safe"), (b"HELP!", "Not safe")])
def test_the_word_of_a_verdict_is_final(program: bytes, word: str) -> None:
    reading, source = good(b"HELLO")
    image = Image.from_bytes(program, 0x0200)
    comparison = compare(image, reading.image)
    verdict = Verdict(comparison.equal, "The sentence of the verdict.", comparison, (), reading, image)
    page = page_of((reading, source), verdict=verdict)
    assert page.text("verdict").startswith(f"{word} The sentence of the verdict.")
    assert ("Leave the machine switched on" in page.text("verdict")) == (word == "Not safe")


def long_reading(data: bytes, confidence: np.ndarray) -> tuple[Reading, Recording]:
    symbols = make_symbols(b"")
    block = make_block(
        data, symbols, check="bad", byte_confidence=confidence, byte_seconds=np.full(len(data), 0.6)
    )
    return make_reading(block, symbols=symbols), make_recording(symbols)


def test_what_a_byte_says_is_not_for_pointers_only() -> None:
    reading, source = good()
    html = report_html(reading, card=CARD, source=source)
    dumps = html[
        html.index('<div id="dumps" tabindex="0"') : html.index("</section>", html.index('id="dumps"'))
    ]
    assert dumps.count('title="') == len(reading.image)  # the keys reach all of them
    assert dumps.index('<p id="told" aria-live="polite"') > dumps.rindex('title="')
    reading, source = nothing()
    assert 'id="told"' not in report_html(reading, card=CARD, source=source)


def test_a_long_program_is_folded_around_its_doubtful_bytes_and_still_all_there() -> None:
    data = np.random.default_rng(2).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    confidence = np.full(len(data), 0.99995)
    confidence[[9_000, 9_500]] = 0.3
    reading, source = long_reading(data, confidence)
    html = report_html(reading, card=CARD, source=source)
    page = Page(html)
    doubtful = {title[:4] for title, classes, _ in page.byte_titles if classes == "s4"}
    assert doubtful == {f"{0x0200 + 9_000:04X}", f"{0x0200 + 9_500:04X}"}
    assert len(page.byte_titles) < 200
    assert page.tags.count("details") == 3
    found = {}
    for line in re.findall(r"(?m)^(?:.*<pre>)?([0-9A-F]{4})  ((?:[0-9A-F]{2} )+)", html):
        for offset, value in enumerate(bytes.fromhex(line[1])):
            found[int(line[0], 16) + offset] = value
    for title, _, text in page.byte_titles:
        found[int(title[:4], 16)] = int(text, 16)
    assert bytes(found[address] for address in sorted(found)) == data
    assert min(found) == 0x0200


def test_even_a_program_that_is_doubtful_all_over_makes_a_page_of_bearable_size() -> None:
    data = bytes(300_000)
    reading, source = long_reading(data, np.full(len(data), 0.5))
    html = report_html(reading, card=CARD, source=source)
    assert len(html) < 6_000_000
    assert "too many to mark each; not in this page" in Page(html).text("bytes")


def test_of_very_many_blocks_the_damaged_ones_are_all_listed() -> None:
    symbols = make_symbols(b"A")
    blocks: list[Block] = []
    for number in range(500):
        check = "bad" if number in (450, 499) else "ok"
        blocks.append(make_block(b"A", symbols, address=16 * number, check=check, fields={}))
    page = page_of((make_reading(*blocks, symbols=symbols), make_recording(symbols)))
    open_part, _, folded = page.text("blocks").partition("298 sound blocks")
    assert open_part.count(" bad ") == 2
    assert " ok " not in open_part
    assert folded.count(" ok ") == 298
    assert "200 more blocks not listed" in folded


def test_many_sound_blocks_are_one_line_until_asked_for() -> None:
    symbols = make_symbols(b"A")
    blocks = [make_block(b"A", symbols, address=16 * number, fields={}) for number in range(41)]
    page = page_of((make_reading(*blocks, symbols=symbols), make_recording(symbols)))
    assert "All 41 blocks are sound." in page.text("blocks")


def test_no_file_is_replaced_unless_told_to(tmp_path: Path) -> None:
    reading, source = good()
    path = tmp_path / "report.html"
    path.write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        write_report(reading, path, card=CARD, source=source)
    assert path.read_text() == "mine"
    write_report(reading, path, card=CARD, source=source, force=True)
    assert Page(path.read_text("utf-8")).text("verdict").startswith("Good")


class BrokenSource:
    """A recording that can be read up to a point."""

    rate_hz, channels, path, sha256 = RATE_HZ, 1, "tape.wav", None

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        yield np.zeros((100, 1), np.float32)
        raise AudioError("tape.wav cannot be read: the disk is gone; copy the file again")


def test_a_recording_that_cannot_be_read_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="the disk is gone"):
        write_report(good()[0], tmp_path / "report.html", card=CARD, source=BrokenSource())
    assert list(tmp_path.iterdir()) == []


def test_what_was_done_to_the_samples_is_told() -> None:
    reading, source = good()
    assert "Nothing. The recording was read as it is" in page_of((reading, source)).text("notes")
    changed = source.with_samples(source.samples, "clipped at -3 dBFS")
    notes = page_of((reading, changed), channel_notes=["head gap 3 um"]).text("notes")
    assert "clipped at -3 dBFS" in notes
    assert "head gap 3 um" in notes


@pytest.mark.needs_tool("chromium")
def test_a_browser_draws_every_figure_and_complains_of_nothing(tmp_path: Path) -> None:
    reading, source = damaged()
    path = tmp_path / "report.html"
    write_report(reading, path, card=CARD, source=source)
    browser = shutil.which("chromium")
    assert browser is not None
    run = subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--virtual-time-budget=10000",
         "--dump-dom", path.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert "CONSOLE" not in run.stderr
    drawn = run.stdout
    for name in ("strip", "confidence", "speed", "level", "half-waves", "symbols", "closeup"):
        figure = drawn[drawn.index(f'id="plot-{name}"') : drawn.index(f'id="data-{name}"')]
        assert 'class="main-svg"' in figure
    buttons = set(re.findall(r'class="modebar-btn"[^>]*data-title="([^"]*)"', drawn))
    assert buttons
    assert not [title for title in buttons if re.search("share|cloud|edit", title, re.IGNORECASE)]
