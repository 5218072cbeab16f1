"""The page in a real browser, beside a real daemon that films a print, is killed, and is started again."""

import socket
import threading
import time
from contextlib import contextmanager

import psutil
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

PATIENCE_MS = 30_000
expect.set_options(timeout=PATIENCE_MS)
MOST_S = 150.0
"""A whole test of these takes 20 s on a quiet machine."""

PHONE = {"viewport": {"width": 390, "height": 844}, "color_scheme": "light", "has_touch": True}
WIDE = {"viewport": {"width": 1440, "height": 900}, "color_scheme": "dark"}

THEMES = ("light", "dark")
AXE = Axe()

# It would otherwise try to reach its maker's addresses at every start.
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]

QUIET = ("net::ERR_CONNECTION_REFUSED", "net::ERR_INCOMPLETE_CHUNKED_ENCODING", "net::ERR_EMPTY_RESPONSE")
"""What a browser says by itself while the daemon is away."""


SLOW_FRAMES = """const real = window.fetch;
window.fetch = (path, ...rest) => String(path).includes("/frames/")
  ? new Promise((go) => setTimeout(go, 2500)).then(() => real(path, ...rest)) : real(path, ...rest);"""
"""A computer that takes longer to reduce a frame than the next shot takes to land."""


@pytest.fixture
def pages():
    """A phone's page and a wide screen's, and what their consoles said."""
    said: list[str] = []
    with sync_playwright() as playwright, ended_after(MOST_S):
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        opened = []
        for kind in (PHONE, WIDE):
            page = browser.new_context(**kind).new_page()
            page.set_default_timeout(PATIENCE_MS)
            page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
            page.on("pageerror", lambda error: said.append(str(error)))
            opened.append(page)
        yield (*opened, said)
        browser.close()


@contextmanager
def ended_after(seconds: float):
    """Ends the browser and its driver if they are still there after so long: a driver that spins knows no limit."""

    def end() -> None:
        for child in psutil.Process().children(recursive=True):
            if "chrom" in child.name() or "node" in child.name():
                child.kill()

    timer = threading.Timer(seconds, end)
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def assert_accessible(page) -> None:
    """WCAG 2.2, levels A and AA, as far as axe-core can judge them, in both themes; the page's own is the last."""
    wcag = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    own, other = ("dark", "light") if page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") else THEMES
    for theme in (other, own):
        page.emulate_media(color_scheme=theme)
        found = AXE.run(page, options={"runOnly": {"type": "tag", "values": wcag}})
        assert found.violations_count == 0, f"{theme}: {found.generate_report()}"


def assert_fits(page) -> None:
    """Nothing sticks out sideways."""
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


@pytest.mark.slow
def test_a_print_is_watched_through_a_restart_of_the_daemon(workshop, pages, tmp_path):
    phone, wide, said = pages
    wide.add_init_script(SLOW_FRAMES)
    shop = workshop(layers=60, speed=20.0, port=free_port())
    address = next(line for line in shop.config.read_text().splitlines() if line.startswith("port"))
    url = f"http://127.0.0.1:{address.partition('= ')[2]}/"
    for page in (phone, wide):
        wait_for(page, url)
        expect(page.locator("section.printer h2")).to_have_text("ottermole")
        expect(page.locator("dd").first).to_contain_text("landed")
        expect(page.locator("figure img").first).to_be_visible(timeout=PATIENCE_MS)
        assert_fits(page)
        assert_touchable(page)
        assert_accessible(page)

    shop.kill()
    expect(phone.locator("#pulse")).to_contain_text("does not answer")
    shop.start()
    for page in (phone, wide):
        expect(page.locator("#pulse")).to_have_text("live")

    skip_and_end(phone, wide)
    look_over(phone, wide, url)
    take = shop.wait(lambda take: take.outcome is not None and (take.folder / "clips" / "small.mp4").exists(), 60)
    look_back(phone, wide, url, take)
    assert not take.folder.exists()
    assert [text for text in said if not any(quiet in text for quiet in QUIET)] == []


def skip_and_end(phone, wide) -> None:
    """What one page does the other shows."""
    wide.get_by_role("button", name="Skip shots").click()
    expect(wide.get_by_role("button", name="Shoot again")).to_be_visible()
    expect(phone.locator(".state").first).to_contain_text("being skipped")
    wide.get_by_role("button", name="Shoot again").click()
    expect(wide.get_by_role("button", name="Skip shots")).to_be_visible()
    phone.get_by_role("button", name="End the take").click()
    assert_accessible(phone)  # with the question before it
    phone.get_by_role("button", name="No, leave it").click()
    expect(phone.locator("section.printer .big")).to_have_text("beacon.gcode")
    phone.get_by_role("button", name="End the take").click()
    phone.locator("#question-yes").click()
    for page in (phone, wide):
        expect(page.locator("section.printer .big")).to_have_text("No print")
        assert_accessible(page)


def look_over(phone, wide, url: str) -> None:
    """Before a print: the table, a test frame, its loupe and the clips' shapes."""
    for page in (phone, wide):
        page.goto(f"{url}#before")
        page.get_by_role("button", name="Look everything over").click()
        expect(page.locator("td.pass").first).to_be_visible()
        assert_fits(page)
        assert_touchable(page)
        assert_accessible(page)
    for page in (phone, wide):
        page.get_by_role("button", name="Take a test frame").click()
        expect(page.locator(".stage img")).to_be_visible()
        expect(page.get_by_alt_text("piece of the test frame at full size")).to_be_visible()
        assert_fits(page)
        assert_touchable(page)
        page.get_by_label("guides for the clip").select_option("small")
        expect(page.locator(".guide:visible")).to_have_count(1)
        assert_accessible(page)


def look_back(phone, wide, url: str, take) -> None:
    """After a print: frames, clips, and the take deleted."""
    for page in (phone, wide):
        page.goto(f"{url}#after")
        page.locator(".takes a").click()
        expect(page.locator("section.take")).to_have_attribute("aria-label", take.name)
        expect(page.locator("section.take figure > img")).to_be_visible()
        expect(page.locator(".strip [aria-current]")).to_be_in_viewport(ratio=0.9)
        page.get_by_label("scrub through the frames").press("Home")
        expect(page.locator("section.take figcaption")).to_contain_text("shot 1")
        assert_fits(page)
        assert_touchable(page)
        assert_accessible(page)
    with wide.expect_download() as download:
        wide.get_by_role("link", name="small.mp4").click()
    assert download.value.path().stat().st_size == (take.folder / "clips" / "small.mp4").stat().st_size
    choose_frames(wide, take)
    wide.get_by_role("button", name="Play small.mp4").click()
    expect(wide.locator("video")).to_be_visible()
    wide.get_by_role("button", name="Delete this take").click()
    wide.locator("#question-yes").click()
    expect(wide.locator("main")).to_contain_text("No takes yet")


def choose_frames(page, take) -> None:
    """Every frame shows the same picture here; one is left out by hand, and one was damaged since it landed."""
    damaged = max((take.folder / "frames" / "main").iterdir())
    damaged.write_bytes(damaged.read_bytes()[:-1000])
    last = int(damaged.stem)
    page.get_by_label("scrub through the frames").press("Home")
    first = page.locator("section.take figcaption").inner_text().split(",")[0].removeprefix("shot ")
    page.get_by_role("button", name=f"Leave shot {first} out").click()
    expect(page.get_by_label(f"leave out shot {first}", exact=True)).to_be_checked()
    page.get_by_role("button", name="Stitch again").click()
    expect(page.locator(f"#judged-{first}")).to_contain_text("by hand")
    base = page.evaluate("location.origin")
    until(
        page,
        f"{base}/api/takes/{take.name}",
        lambda told: (
            {"shot": int(first), "left_out": True, "by_hand": True}.items() <= (told["judged"] or [{}])[0].items()
        ),
    )
    expect(page.locator(f"#judged-{last}")).to_have_text("is cut off: the end of the picture is missing")
    expect(page.get_by_label(f"leave out shot {last}", exact=True)).to_be_disabled()
    assert_accessible(page)
    until(page, f"{base}/api/now", lambda told: told["stitch"]["take"] is None and not told["stitch"]["waiting"])


def until(page, url: str, holds) -> None:
    """Wait until what the API tells at `url` is so."""
    end = time.monotonic() + PATIENCE_MS / 1000
    while not holds(told := page.request.get(url).json()):
        assert time.monotonic() < end, told
        page.wait_for_timeout(200)


def assert_touchable(page) -> None:
    """Everything that is pressed is at least 44 CSS pixels either way (WCAG 2.2, 2.5.5)."""
    small = page.evaluate(
        """() => [...document.querySelectorAll("a[href], button, select, input, summary")]
        .filter((one) => one.checkVisibility({ checkVisibilityCSS: true }) && !one.classList.contains("past"))
        .map((one) => [one.outerHTML.slice(0, 80), (one.closest("label.tick") || one).getBoundingClientRect()])
        .filter(([, box]) => box.width < 44 || box.height < 44)
        .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
    )
    assert small == []


def wait_for(page, url: str) -> None:
    """Open the page once the daemon serves it."""
    for _ in range(100):
        try:
            page.goto(url)
        except Exception as error:
            if "ERR_CONNECTION_REFUSED" not in str(error) and "interrupted" not in str(error):
                raise
            page.wait_for_timeout(200)
        else:
            return
    raise AssertionError("the page never came")


@pytest.mark.slow
def test_with_a_token_the_page_asks_for_it(workshop, pages):
    _, wide, said = pages
    shop = workshop(layers=5, port=free_port())
    shop.kill()
    shop.config.write_text(shop.config.read_text().replace("serve = true", 'serve = true\naddress = "0.0.0.0"'))
    shop.start()
    port = shop.config.read_text().partition("port = ")[2].split()[0]
    wait_for(wide, f"http://127.0.0.1:{port}/")
    wide.get_by_label("Token").fill("not the token at all")
    wide.get_by_role("button", name="Log in").click()
    expect(wide.locator("#word")).to_contain_text("not the token")
    assert_accessible(wide)
    wide.get_by_label("Token").fill((shop.store / "token").read_text().strip())
    wide.get_by_role("button", name="Log in").click()
    expect(wide.locator("section.printer h2")).to_have_text("ottermole")
    assert (shop.store / "token").read_text().strip() not in shop.said()
    wide.reload()
    expect(wide.locator("section.printer h2")).to_have_text("ottermole")
    assert [text for text in said if "401" not in text and "ERR_" not in text] == []
