"""The page of a comparison in a browser: switching keeps the place, the blind test is fair and exact.

Chromium opens the page from a file, without a network. Where there is none these tests are skipped, unless
SITZPROBE_BROWSER says "required", as `.ci/run` does after installing it: then they fail.
"""

import io
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright
from scipy.stats import binomtest

from render.comparison_page import comparison_page
from render.listening import LARGEST, listening_panel
from rooms.errors import InputError
from tests.made_up_comparison import NAMES, made_up_comparison, made_up_scenes

RATE = 16000
SECONDS = (4.0, 4.0, 3.5)


def flac(seconds: float, hertz: float, sample_rate: int = RATE) -> bytes:
    """Return a stereo tone as FLAC."""
    tone = 0.25 * np.sin(2 * np.pi * hertz * np.arange(round(seconds * sample_rate)) / sample_rate)
    file = io.BytesIO()
    soundfile.write(file, np.stack([tone, tone], axis=1), sample_rate, format="FLAC", subtype="PCM_16")
    return file.getvalue()


SOUNDS = {name: flac(s, 300.0 + 200.0 * n) for n, (name, s) in enumerate(zip(NAMES, SECONDS, strict=True))}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        if os.environ.get("SITZPROBE_BROWSER") == "required":
            pytest.fail("no chromium on the path, and SITZPROBE_BROWSER says it is required")
        pytest.skip("no chromium on the path (Debian: apt install chromium)")
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        browser = playwright.chromium.launch(executable_path=program, args=arguments)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "comparison.html"
    path.write_text(comparison_page(made_up_comparison(), made_up_scenes(), SOUNDS), "utf-8")
    return path


@pytest.fixture(scope="module")
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(offline=True, reduced_motion="reduce")
    context.set_default_timeout(5000)
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext, file: Path) -> Iterator[Page]:
    page = context.new_page()
    troubles: list[str] = []
    page.on("console", lambda message: troubles.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("requestfailed", lambda request: troubles.append(request.url))
    page.goto(file.as_uri())
    yield page
    page.close()
    assert troubles == []


def part(page: Page, name: str) -> Locator:
    """Return the part of the panel that a script or a test calls by this name."""
    return page.locator(f"[data-is={name}]")


def watch(page: Page) -> None:
    """Keep the page's playback where a test can see it."""
    page.evaluate(
        "() => { const play = Playback.prototype.play; Playback.prototype.play = function () {"
        " window.seen = this; window.starts = (window.starts ?? 0) + 1; play.call(this); }; }"
    )


def targets(page: Page) -> list[float]:
    """Return the gains of all sounds once they have settled."""
    page.wait_for_timeout(150)
    return page.evaluate("() => seen.gains.map((gain) => gain.gain.value)")


def test_the_panel_is_led_by_keys_and_says_what_it_does(page):
    """Tab reaches every control with a visible focus, each has a name, and the state is told politely."""
    for role, name in (
        ("button", "Play"),
        ("slider", "Position"),
        ("slider", "Volume"),
        ("combobox", "A"),
        ("combobox", "B"),
    ):
        expect(page.get_by_role(role, name=re.compile(rf"^{name}\b"))).to_have_count(1)
    expect(page.get_by_role("group", name="Hear").get_by_role("radio")).to_have_count(3)
    expect(page.get_by_role("spinbutton", name="Trials")).to_have_value("16")
    assert page.locator("[data-is=state][aria-live=polite]").count() == 1
    reached = []
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("() => document.activeElement.dataset.is"))
        if reached[-1] == "begin":
            break
        assert page.evaluate("() => getComputedStyle(document.activeElement).outline").endswith("solid 3px")
    assert reached == ["panel", "play", "position", "volume", "variant", "first", "second", "trials", "begin"]


def test_switching_keeps_the_place(page):
    """Keys change what is heard while everything runs on from one start; one sound at a time is let through."""
    watch(page)
    part(page, "panel").focus()
    page.keyboard.press("p")
    expect(part(page, "play")).to_have_text("Pause")
    expect(part(page, "state")).to_have_text(f"Playing {NAMES[0]}.")
    assert_allclose(targets(page), [1, 0, 0], atol=1e-4)
    before = page.evaluate("() => [seen.position, seen.context.currentTime]")
    page.keyboard.press("3")
    expect(part(page, "state")).to_have_text(f"{NAMES[2]}.")
    assert_allclose(targets(page), [0, 0, 1], atol=1e-4)
    page.keyboard.press("ArrowUp")  # the variants are radio buttons
    assert_allclose(targets(page), [0, 1, 0], atol=1e-4)
    after = page.evaluate("() => [seen.position, seen.context.currentTime]")
    assert page.evaluate("() => starts") == 1
    assert_allclose((after[0] - before[0]) % max(SECONDS), after[1] - before[1], atol=1e-6)
    assert page.evaluate("() => seen.buffers.map((buffer) => buffer.length)") == [round(max(SECONDS) * RATE)] * 3
    page.keyboard.press(" ")
    expect(part(page, "state")).to_contain_text("Paused at")
    rest = page.evaluate("() => seen.position")
    page.keyboard.press("j")
    assert_allclose(page.evaluate("() => seen.position"), (rest - 2.0) % max(SECONDS), atol=1e-6)


def test_the_volume_starts_low_and_never_exceeds_the_files_level(page):
    """It begins 12 dB down, ends at 0 dB, and the sum of what is let through is never more."""
    watch(page)
    volume = part(page, "volume")
    assert (volume.input_value(), volume.get_attribute("max")) == ("-12", "0")
    part(page, "play").click()
    targets(page)
    assert_allclose(page.evaluate("() => seen.volume.gain.value"), 10 ** (-12 / 20), rtol=1e-3)
    volume.press("End")
    volume.press("ArrowRight")
    targets(page)
    level = page.evaluate("() => seen.volume.gain.value")
    assert 0.999 < level <= 1.0 + 1e-6  # float32
    expect(part(page, "level")).to_have_text("0 dB")


def steps(page: Page, act: str) -> list[float]:
    """Return the largest sample steps of two tones switched at 0.5 s: as the page does it, cut hard, and not at all."""
    return page.evaluate(
        """async (act) => {
          const result = [];
          for (const how of ["page", "cut", "none"]) {
            const context = new OfflineAudioContext(1, 48000, 48000);
            const buffers = [200, 310].map((hertz) => {
              const buffer = context.createBuffer(1, 48000, 48000);
              const data = buffer.getChannelData(0);
              for (let n = 0; n < 48000; n += 1) data[n] = 0.5 * Math.sin(2 * Math.PI * hertz * n / 48000);
              return buffer;
            });
            const playback = new Playback(context, buffers, 0);
            playback.play();
            const at = 0.50121; // where the two differ by most of their range
            if (how === "page") playback.hear(1, act === "hush" ? HUSH_S : 0, at);
            if (how === "cut") playback.gains.forEach((gain, n) => gain.gain.setValueAtTime(n, at));
            const data = (await context.startRendering()).getChannelData(0);
            const whole = data.slice(24000 - 480, 24000 + 9600);
            let step = 0;
            for (let n = 1; n < whole.length; n += 1) step = Math.max(step, Math.abs(whole[n] - whole[n - 1]));
            result.push(step);
          }
          return result;
        }""",
        act,
    )


@pytest.mark.parametrize("act", ["turn", "hush"])
def test_a_switch_is_no_step_in_the_signal(page, act):
    """The largest sample step at a switch is the signal's own; a hard cut's is many times that."""
    own = 0.5 * 2 * np.pi * 310 / 48000  # the louder of the two tones' slopes
    switched, cut, untouched = steps(page, act)
    assert switched < 1.05 * own  # the fades themselves add 1 / (10 ms) of the difference: 0.002 a sample
    assert untouched < 1.05 * own
    assert cut > 5 * own


def test_chance_of_guessing_is_the_exact_binomial_test(page):
    """As scipy.stats.binomtest has it, one-sided, for every score of tests from 1 to 100 trials."""
    trials = [1, 2, 5, 10, 16, 25, 100]
    got = page.evaluate(
        "(all) => all.map((n) => Array.from({ length: n + 1 }, (_, k) => chanceOfGuessing(k, n)))", trials
    )
    for n, row in zip(trials, got, strict=True):
        expected = [binomtest(k, n, 0.5, alternative="greater").pvalue for k in range(n + 1)]
        assert_allclose(row, expected, rtol=1e-12)


def test_the_blind_test_reveals_nothing_before_its_end(page):
    """Who peeks at the engine scores all; on the page nothing tells X, and the score comes with its probability."""
    watch(page)
    part(page, "second").select_option(NAMES[2])
    part(page, "trials").fill("8")
    part(page, "begin").click()
    expect(part(page, "count")).to_have_text("Trial 1 of 8")
    expect(part(page, "variants")).to_be_hidden()
    truth, told = [], []
    for number in range(8):
        expect(part(page, "count")).to_have_text(f"Trial {number + 1} of 8")
        page.keyboard.press("x")
        expect(part(page, "state")).to_have_text("X.")
        told.append(part(page, "trial").inner_text().replace(f"Trial {number + 1}", ""))
        assert not any(name in part(page, "panel").inner_text() for name in NAMES)
        heard = int(np.argmax(targets(page)))
        assert heard in (0, 2)
        truth.append("A" if heard == 0 else "B")
        if number < 7:
            page.keyboard.press(f"Shift+{truth[-1]}")
    assert len(set(told)) == 1
    wrong = "is-first" if truth[-1] == "B" else "is-second"
    part(page, wrong).click()
    expect(part(page, "score")).to_contain_text("7 of 8 right")
    expect(part(page, "score")).to_contain_text(f"p = {binomtest(7, 8, 0.5, alternative='greater').pvalue:.4f}")
    rows = [row.split("\t") for row in part(page, "rounds").inner_text().strip().split("\n")]
    assert [row[1] for row in rows] == truth
    assert [row[3] for row in rows] == ["right"] * 7 + ["wrong"]
    expect(part(page, "variants")).to_be_visible()


def test_x_is_drawn_anew_and_evenly(page):
    """Of 4000 draws half are B within five standard deviations, and a draw says nothing about the next."""
    draws = np.array(
        page.evaluate(
            "() => { const test = new BlindTest([0, 1], 5000);"
            " const x = () => { const behind = test.behind('X'); test.answer(true); return behind; };"
            " return Array.from({ length: 4000 }, x); }"
        )
    )
    assert abs(draws.sum() - 2000) < 5 * np.sqrt(1000)
    assert abs(np.sum(draws[1:] == draws[:-1]) - 1999.5) < 5 * np.sqrt(1000)


def test_the_same_variant_twice_is_no_blind_test(page):
    """The panel says what to change instead of starting."""
    part(page, "second").select_option(NAMES[0])
    part(page, "begin").click()
    expect(part(page, "state")).to_have_text("Choose two different variants for A and B.")
    expect(part(page, "trial")).to_be_hidden()


def test_printed_there_are_tables_and_drawings_but_no_players(page):
    page.emulate_media(media="print")
    expect(part(page, "panel")).to_be_hidden()
    expect(page.get_by_role("heading", name="Listen")).to_be_hidden()
    expect(page.get_by_role("table").first).to_be_visible()
    expect(page.get_by_role("img").first).to_be_visible()


def test_the_page_reads_well_for_machines_and_on_narrow_screens(page):
    """A language, a title, headings without gaps, names for all drawings and regions, nothing wider than the screen."""
    assert page.evaluate("() => document.documentElement.lang") == "en"
    assert page.title() == "Harbour & <dusk>: comparison"
    levels = page.evaluate("() => [...document.querySelectorAll('h1, h2, h3')].map((h) => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert max(np.diff(levels)) <= 1
    nameless = """() => [...document.querySelectorAll("[role=img], [role=region], [role=group], section")]
        .filter((e) => !(e.ariaLabel || document.getElementById(e.getAttribute("aria-labelledby"))?.textContent))
        .length"""
    assert page.evaluate(nameless) == 0
    names = page.evaluate("() => [...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(names) == len(set(names))
    for width in (1280, 400):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width


def test_too_much_sound_for_a_page_lies_beside_it():
    """Above the limit the page holds no sound and says so."""
    panel = listening_panel({"long": flac(0.5, 440.0) + bytes(LARGEST)}, -23.0)
    assert "beside it as FLAC" in panel
    assert len(panel) < 10_000


def test_sounds_must_be_readable_and_share_a_rate():
    """What can't be played together is refused with its name or its rates."""
    with pytest.raises(InputError, match="no sounds"):
        listening_panel({}, -23.0)
    with pytest.raises(InputError, match="of 'broken' can't be read"):
        listening_panel({"broken": b"nothing"}, -23.0)
    with pytest.raises(InputError, match="16000, 8000 Hz; they must share one rate"):
        listening_panel({"a": flac(0.1, 440.0), "b": flac(0.1, 440.0, 8000)}, -23.0)
