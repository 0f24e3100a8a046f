"""The whole path in a real browser on a phone-sized window, from pairing to the job record, with a real photo.

The pictures of the screen are kept in KNURLSIGHT_SCREENSHOTS, where that is set, else with the test's temporary files.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from bench_doubles import free_port, wait_for

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
playwright = pytest.importorskip(
    "playwright.sync_api", reason="pip install 'knurlsight[browser]' for the browser tests"
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine: apt install chromium")
PORT = free_port()
PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    named = os.environ.get("KNURLSIGHT_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screens")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    """What the terminal says of a bench that is open to the network."""
    folder = tmp_path_factory.mktemp("browser")
    command = [sys.executable, "-m", "knurlsight", "bench", "--store", str(folder), "--port", str(PORT), "--lan"]
    with (folder / "stderr.txt").open("w") as out:
        process = subprocess.Popen(command, stderr=out, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
    try:
        wait_for(lambda: "Pair a phone" in (folder / "stderr.txt").read_text() or process.poll() is not None)
        yield (folder / "stderr.txt").read_text()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(20)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """A browser whose camera shows a photo of a part: 13.8 px to a pitch, see fixtures/README.md."""
    film = tmp_path_factory.mktemp("camera") / "camera.mjpeg"
    film.write_bytes((FIXTURES / "diamond_rule.jpg").read_bytes() * 2)
    with playwright.sync_playwright() as driver:
        camera = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
        camera.append(f"--use-file-for-fake-video-capture={film}")
        found = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", *camera])
        yield found
        found.close()


def watched(page):
    """Collects what the page complains of: script errors, refused styles and scripts."""
    complaints: list[str] = []
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    return complaints


def keep_picture(page, path, full_page=False):
    """A picture to look at, nothing that is tested: a machine too busy to paint one within half a minute is asked
    again, and then goes without."""
    for _ in range(2):
        with contextlib.suppress(playwright.TimeoutError):
            page.screenshot(path=path, full_page=full_page)
            return


def test_from_pairing_to_the_job_record(browser, said, shots):
    url, code = re.search(r"open (http\S+) and type\s+(\d+ \d+)", said).groups()
    context = browser.new_context(**PHONE)
    page = context.new_page()
    complaints = watched(page)
    page.goto(f"{url}pair?code={code.replace(' ', '')}")  # as the QR code has it
    keep_picture(page, shots / "pair.png")
    page.get_by_role("button", name="Pair").tap()
    page.wait_for_selector("#shoot")

    # choose once: a setup file, a job
    page.goto(f"{url}choose")
    page.locator("summary", has_text="drawing").tap()
    page.get_by_label("Normal pitch").fill("0.8banana")
    page.get_by_role("button", name="Make the setup").tap()
    keep_picture(page, shots / "refused.png")
    page.get_by_role("link", name="Back").tap()  # to what was typed
    page.get_by_label("Normal pitch").wait_for()
    assert page.get_by_label("Normal pitch").input_value() == "0.8banana"
    page.set_input_files("input[name=file]", FIXTURES / "diamond_unequal.toml")
    page.get_by_role("button", name="Hand it in").tap()
    page.wait_for_selector("#shoot")
    page.goto(f"{url}choose")
    page.locator("summary", has_text="new job").tap()
    page.get_by_label("Job number").fill("2041")
    page.get_by_role("button", name="Open").tap()
    page.wait_for_selector("#shoot")
    assert "2041" in page.locator(".chosen").inner_text()
    keep_picture(page, shots / "shoot.png", full_page=True)

    # Shoot, then two taps in the phone's own camera; the network goes away in the middle, and the photo is sent again
    lost = []

    def lose(route):
        lost.append(route.request.url)
        if len(lost) == 1:
            route.abort()  # before it arrives
        elif len(lost) == 2:
            route.fetch()  # it arrives, the answer does not
            route.abort()
        else:
            route.continue_()

    page.route("**/inspections", lose)
    page.set_input_files("#take", FIXTURES / "diamond_unequal.jpg")
    page.wait_for_selector("section.verdict", timeout=90_000)
    assert len(lost) == 3
    assert page.locator("h1").inner_text() == "FAIL"
    assert "balance" in page.locator("p.why").first.inner_text().lower()
    assert "° of 360°" in page.locator("main").inner_text()
    keep_picture(page, shots / "fail.png", full_page=True)

    # the picture, large, by a tap
    page.locator("#zoom").tap()
    page.get_by_role("button", name="Larger").tap()
    assert "scale(1.6)" in page.locator("#zoomed .pane img").get_attribute("style")
    keep_picture(page, shots / "zoom.png")
    page.get_by_role("button", name="Close").tap()

    # kept by one tap, taken back, kept again
    page.locator("#keep button.big").tap()
    page.get_by_role("button", name="Undo").tap()
    page.wait_for_selector("#keep button.big")
    page.locator("#keep button.big").tap()
    page.wait_for_selector("form#kept")
    keep_picture(page, shots / "undo.png")
    page.wait_for_selector("p#kept", timeout=60_000)
    page.goto(f"{url}jobs/2041")
    assert page.locator(".history li").count() == 2  # opened, one inspection
    assert "FAIL" in page.locator(".history li").first.inner_text()
    wait_for(lambda: page.locator(".history img").evaluate("i => i.complete && i.naturalWidth > 0"))
    keep_picture(page, shots / "job.png", full_page=True)
    page.goto(url)
    assert page.locator(".parts li").count() == 1  # sent three times, measured once
    keep_picture(page, shots / "last.png", full_page=True)
    assert [c for c in complaints if "ERR_FAILED" not in c and "status of 422" not in c] == []
    context.close()


def test_targets_are_large_and_nothing_is_wider_than_the_window(browser, said, shots):
    page = browser.new_context(viewport=PHONE["viewport"]).new_page()
    page.emulate_media(color_scheme="dark")
    for path in ("", "choose", "jobs", "devices", "camera"):
        page.goto(f"http://localhost:{PORT}/{path}")
        small = page.evaluate(
            """() => [...document.querySelectorAll("a, button, input, select, summary, textarea")]
                .filter((e) => e.offsetParent && !e.closest("label, .unseen") && !e.classList.contains("skip"))
                .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
                .filter(([, box]) => box.height > 0 && (box.height < 48 || box.width < 48)).map(([html]) => html)"""
        )
        assert small == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        keep_picture(page, shots / f"dark-{path or 'shoot'}.png")


def test_several_parts_are_told_in_the_list_as_they_come(browser, said, shots):
    page = browser.new_context(viewport=PHONE["viewport"]).new_page()
    page.goto(f"http://localhost:{PORT}/")
    page.set_input_files("#pick", [FIXTURES / "out_of_focus.jpg", FIXTURES / "diamond_rule.jpg"])
    keep_picture(page, shots / "several.png")
    page.get_by_role("button", name="2 parts, one a picture").click()
    page.locator(".parts").get_by_text("WAITS").first.wait_for()
    keep_picture(page, shots / "list.png")
    # the newest stands first; while the list is put in anew, nothing seems to wait
    wait_for(lambda: "MEASURED" in page.locator(".parts li").first.inner_text(), 90)
    page.locator(".parts a").first.click()
    page.get_by_text("Compare with the last part").click()
    keep_picture(page, shots / "compare.png", full_page=True)


def test_a_missing_reading_is_asked_for_before_the_photo_is_taken(browser, said):
    page = browser.new_context(viewport=PHONE["viewport"]).new_page()
    page.goto(f"http://localhost:{PORT}/choose")
    page.locator("select[name=scale]").select_option("od")
    page.get_by_role("button", name="Use").click()
    opened = []
    page.on("filechooser", lambda chooser: opened.append(chooser))
    page.locator("label.shoot").click()
    page.wait_for_timeout(300)
    assert opened == [] and page.evaluate("document.activeElement.name") == "od"
    page.get_by_label("Caliper").fill("20.03")
    with page.expect_file_chooser():
        page.locator("label.shoot").click()
    page.goto(f"http://localhost:{PORT}/choose")
    page.locator("select[name=scale]").select_option("auto")
    page.get_by_role("button", name="Use").click()


def test_by_keyboard_alone(browser, said):
    page = browser.new_page()
    page.goto(f"http://localhost:{PORT}/")
    seen = []
    for _ in range(14):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.id || document.activeElement.getAttribute('href')"))
    assert seen[0] == "#content" and {"take", "pick", "/camera", "/choose", "/jobs"} <= set(seen)


def test_live_picture_with_guidance(browser, said, shots):
    context = browser.new_context(viewport=PHONE["viewport"], permissions=["camera"])
    page = context.new_page()
    complaints = watched(page)
    page.goto(f"http://localhost:{PORT}/camera")  # browsers give the camera to this computer, or over HTTPS
    page.get_by_role("button", name="Start the camera").click()
    page.locator("#guide-pitch", has_text=re.compile(r"^\d")).wait_for(timeout=60_000)
    guides = {n: page.locator(f"#guide-{n}").inner_text() for n in ("sharp", "glare", "pitch", "level")}
    assert (guides["sharp"], guides["glare"], guides["level"]) == ("good", "good", "not known here")
    assert int(re.match(r"\d+", guides["pitch"])[0]) == pytest.approx(13.8, abs=2)  # it guides, it does not measure
    keep_picture(page, shots / "camera.png", full_page=True)
    page.get_by_role("button", name="Take it").click()
    page.wait_for_selector("section.verdict", timeout=90_000)
    assert page.locator("h1").inner_text() == "MEASURED"
    keep_picture(page, shots / "measured.png", full_page=True)
    assert complaints == []
    context.close()


def test_a_photo_that_could_not_be_sent_outlasts_the_page(browser, said):
    page = browser.new_context(viewport=PHONE["viewport"]).new_page()
    page.goto(f"http://localhost:{PORT}/")
    before = page.locator(".parts li").count()
    page.route("**/inspections", lambda route: route.abort())
    page.set_input_files("#take", FIXTURES / "out_of_focus.jpg")
    page.get_by_text("No connection").wait_for()
    page.unroute("**/inspections")
    page.reload()  # as phones do that need the memory
    page.locator(".parts li").nth(before).wait_for()
    page.reload()
    assert page.locator(".parts li").count() == before + 1


def test_a_photo_is_dropped_on_the_page(browser, said):
    page = browser.new_page()
    page.goto(f"http://localhost:{PORT}/")
    data = page.evaluate_handle(
        """async () => {
            const moved = new DataTransfer();
            const picture = await (await fetch(document.querySelector("link[rel=icon]").href)).blob();
            moved.items.add(new File([picture], "dropped.jpg", { type: "image/jpeg" }));
            return moved;
        }"""
    )
    page.dispatch_event("main", "drop", {"dataTransfer": data})
    page.wait_for_selector("section.verdict", timeout=90_000)
    assert page.locator("h1").inner_text() == "NOT MEASURED"
    assert "dropped.jpg" in page.locator("main").inner_text()


def test_the_first_page_is_painted_within_a_second(browser, said):
    page = browser.new_page()
    page.goto(f"http://localhost:{PORT}/jobs")
    page.goto(f"http://localhost:{PORT}/")
    page.bring_to_front()
    painted = page.evaluate(
        """() => new Promise((told) => new PerformanceObserver((list) => {
            const first = list.getEntriesByName("first-contentful-paint")[0];
            if (first) told(first.startTime);
        }).observe({ type: "paint", buffered: true }))"""
    )
    sizes = page.evaluate("performance.getEntriesByType('resource').map((r) => r.decodedBodySize)")
    assert painted < 5000  # a busy test machine; tests/bench/bench_page.py holds it to one second
    assert sum(sizes) < 400_000  # small pictures of the last parts included
