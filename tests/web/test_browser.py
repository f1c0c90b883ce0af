"""The page in a real browser, one session for all of it: keyboard, reader, strict policy, live strip, a server that goes and comes back."""

import re
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from tests.browsers import browser as opened_browser
from tests.telemetry.watching import live_row, state_row
from tests.waiting import wait
from tests.web.conftest import NOW_NS

from nightturn.model.traces import Trace
from nightturn.web.acting import Outcome, Wish
from nightturn.web.app import Facts, application
from nightturn.web.feed import Fixtures, Message, Word
from nightturn.web.heard import SILENT_S, Hearing
from nightturn.web.listening import address_of, listening_socket
from nightturn.web.nights import Nights
from nightturn.web.people import People, Role
from nightturn.web.signing import Door

HOSTILE = "<img src=x onerror=alert(1)>"
GRAVE = {"serious", "critical"}
LIMIT_MS = 30_000
SILENT = re.compile("^silent: ")


class Served:
    """The page of a night on a free port, with a daemon that a test plays."""

    def __init__(self, nights: Nights, root: Path) -> None:
        self.now_s = 100.0
        self.hearing = Hearing(lambda: self.now_s)
        self.wishes: list[Wish] = []
        self.people = People(root)
        door = Door(self.people, act=self._act, utc_ns=lambda: NOW_NS)
        shown = Nights(nights.root, self.hearing)
        facts = Facts(HOSTILE, lambda: True, lambda: NOW_NS)
        self._app = application(shown, facts, ("127.0.0.1",), door)
        self.port = 0
        self.start()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        listener = listening_socket(address_of(f"127.0.0.1:{self.port}"))
        self.port = listener.getsockname()[1]
        config = uvicorn.Config(
            self._app, log_config=None, lifespan="off", ws="websockets-sansio", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listener]})
        self._thread.start()
        wait(lambda: self._server.started, lambda: "the page does not answer")

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join()

    def say(self, **changes: object) -> None:
        """A word of the daemon."""
        trace = Trace(NOW_NS, (0.04, 0.02, 0.0), (-0.1, -0.1, -0.1), (0.1, 0.15, 0.1))
        word = Word(
            "pan-a1", state=state_row(run="other"), live=live_row(trace=trace, torque_mean_nm=0.08, **changes)
        )
        said = Fixtures(("pan-a1",), "quillfen", HOSTILE, "UTC")
        self.hearing.take(msgspec.msgpack.encode(Message(said, (word,))))

    def _act(self, wish: Wish) -> Outcome:
        self.wishes.append(wish)
        return Outcome(ok=True, said=f"{wish.fixture}: {wish.command} by {wish.operator}")


@pytest.fixture(scope="module")
def served(nights: Nights, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    made = Served(nights, tmp_path_factory.mktemp("people"))
    made.say()
    yield made
    made.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened_browser() as found:
        yield found


@pytest.fixture
def page(browser: Browser, served: Served) -> Iterator[Page]:
    """A page that must stay without a word on the console, and ask nobody else for anything."""
    with browser.new_context(viewport={"width": 1280, "height": 900}) as context:
        opened = context.new_page()
        opened.set_default_timeout(LIMIT_MS)
        said: list[str] = []
        asked: list[str] = []
        opened.on("console", lambda message: said.append(message.text))
        opened.on("pageerror", lambda error: said.append(str(error)))
        opened.on("dialog", lambda dialog: said.append(dialog.message))
        opened.on("request", lambda request: asked.append(request.url))
        yield opened
        assert [each for each in said if "ERR_CONNECTION" not in each and "WebSocket" not in each] == []
        assert all(each.startswith((served.base, "data:")) for each in asked)


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.long)])
def test_nothing_serious_stands_in_the_way_of_a_reader(page: Page, served: Served, scheme: str) -> None:
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    for address in ("/", "/fixture/pan-a1", "/sign-in"):
        page.goto(f"{served.base}{address}")
        found = Axe().run(page).response["violations"]
        grave = [
            (each["id"], [node["html"][:120] for node in each["nodes"][:3]])
            for each in found
            if each["impact"] in GRAVE
        ]
        assert grave == [], address


def test_the_wall_is_walked_by_keyboard_and_a_tile_opens_its_fixture(page: Page, served: Served) -> None:
    page.goto(served.base)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.focus("#tile-pan-a1")
    page.keyboard.press("End")
    assert page.evaluate("document.activeElement.id") == "tile-pan-a1"
    page.keyboard.press("Enter")
    page.wait_for_url("**/fixture/pan-a1")


def test_a_picture_tells_its_values_by_arrow_keys(page: Page, served: Served) -> None:
    page.goto(f"{served.base}/fixture/pan-a1")
    expect(page.locator('[data-width]:not([data-width="920"])')).to_be_attached(timeout=LIMIT_MS)
    page.focus("#night .scroll")
    page.keyboard.press("ArrowRight")
    first = page.locator("#night .read-out").text_content() or ""
    page.keyboard.press("ArrowRight")
    second = page.locator("#night .read-out").text_content() or ""

    assert first.startswith("cycle ended ")
    assert "ripple" in first
    assert second != first
    page.keyboard.press("Escape")
    assert not page.locator("#night .read-out").text_content()


def test_everything_but_the_strip_is_there_without_script(browser: Browser, served: Served) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{served.base}/fixture/pan-a1")
        assert page.locator("svg.picture").count() >= 4
        assert page.locator("#night").is_visible()
        assert page.locator("footer.caution").is_visible()
        page.goto(served.base)
        assert page.locator(".tile").count() == 1


def test_pictures_are_drawn_anew_for_a_phone(page: Page, served: Served) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{served.base}/fixture/pan-a1")
    expect(page.locator('[data-width="360"]')).to_be_attached(timeout=LIMIT_MS)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_the_strip_lives_and_silence_replaces_it(page: Page, served: Served) -> None:
    served.say()
    page.goto(f"{served.base}/fixture/pan-a1")
    expect(page.locator("#live-said")).to_have_text(re.compile("^Slow turn, at −12.5°"), timeout=LIMIT_MS)
    assert page.locator("#live-strip").is_visible()
    expect(page.locator("#live-rows")).to_contain_text("bearing31.5 °C")
    served.now_s += SILENT_S + 1
    expect(page.locator("#live-said")).to_have_text(re.compile("^No word from it"), timeout=LIMIT_MS)
    assert not page.locator("#live-strip").is_visible()
    expect(page.locator("h1")).to_have_text(re.compile("^No word from it since"), timeout=LIMIT_MS)
    served.say()
    expect(page.locator("#live-said")).to_have_text(re.compile("^Slow turn"), timeout=LIMIT_MS)


def test_under_reduced_motion_words_take_the_place_of_the_strip(page: Page, served: Served) -> None:
    served.say()
    page.emulate_media(reduced_motion="reduce")
    page.goto(f"{served.base}/fixture/pan-a1")
    expect(page.locator("#live-text")).to_have_text(
        re.compile("^torque of the last second"), timeout=LIMIT_MS
    )
    assert not page.locator("#live-strip").is_visible()


def test_a_named_operator_signs_in_and_stops_a_run(page: Page, served: Served) -> None:
    served.say()
    code = served.people.add("R. Vale", Role.OPERATOR, NOW_NS / 1e9)
    page.goto(f"{served.base}/sign-in")
    page.fill("#name", "R. Vale")
    page.fill("#word", code)
    page.fill("#fresh", "quite long enough")
    page.click("button")
    page.wait_for_url(f"{served.base}/")
    page.goto(f"{served.base}/fixture/pan-a1")
    page.fill("#reason", "smoke")
    page.click("text=Stop pan-a1")
    assert page.locator("h1").text_content() == "pan-a1: stop by R. Vale"
    wish = served.wishes[-1]
    assert (wish.command, wish.fixture, wish.operator, wish.reason) == (
        "stop",
        "pan-a1",
        "R. Vale",
        "from the page; smoke",
    )


def test_a_server_that_goes_is_said_over_everything_and_one_that_comes_back_takes_it_off(
    page: Page, served: Served
) -> None:
    served.say()
    page.goto(served.base)
    expect(page).not_to_have_title(SILENT, timeout=LIMIT_MS)
    served.stop()
    expect(page).to_have_title(SILENT, timeout=LIMIT_MS)
    assert "Everything below is old." in (page.locator("#cut-off").text_content() or "")
    assert page.locator("#cut-off").is_visible()
    served.start()
    expect(page).not_to_have_title(SILENT, timeout=LIMIT_MS)
    assert not page.locator("#cut-off").is_visible()
