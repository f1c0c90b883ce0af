"""The page of a real daemon over a device of its own, in a real browser: what an operator may do there is done, and nothing more."""

import json
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from tests.browsers import browser as opened_browser
from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.daemon.test_commands import asked, status
from tests.daemon.test_page import URL
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import wait

LIMIT_MS = 60_000
PASSWORD = "lantern over quay"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened_browser() as found:
        yield found


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport={"width": 1280, "height": 900}) as context:
        opened = context.new_page()
        opened.set_default_timeout(LIMIT_MS)
        yield opened


def test_an_operator_pauses_acknowledges_and_stops_from_the_page_and_its_end_is_said_there(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, page: Page
) -> None:
    device = native_device()
    serve = turning_with_page(tmp_path, processes, device)
    url = URL.findall(serve.said)[-1]
    expect_said(page, url, "turning", "#tile-pan-a1")
    assert "Sign in" in shown(page, url)
    assert page.locator("text=Stop pan-a1").count() == 0
    sign_in(page, url, first_code(processes))

    shown(page, url)
    page.click("text=Pause pan-a1")
    wait(
        lambda: status(tmp_path).state.startswith("paused: paused by R. Vale (from the page)"),
        lambda: status(tmp_path).state,
    )
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)

    device.make("drive failed")
    alarm = page.locator("button", has_text=re.compile("^Acknowledge: .*drive"))
    wait(lambda: bool(shown(page, url)) and alarm.count() == 1, lambda: shown(page, url))
    alarm.click()
    expect(page.locator("h1")).to_contain_text("R. Vale")
    wait(lambda: bool(shown(page, url)) and alarm.count() == 0, lambda: shown(page, url))
    (kept,) = [each for each in alarms(processes) if each["id"] == "drive_fault"]
    assert (kept["state"], kept["acknowledged_by"]) == ("acknowledged", "R. Vale")

    page.click("text=Stop pan-a1")
    serve.says("run_ended")
    assert "stopped by R. Vale" in serve.said
    assert not device.state()["lease"]
    wait(lambda: "stopped by R. Vale" in shown(page, url), lambda: shown(page, url))
    page.goto(url)
    serve.interrupt(signal.SIGKILL)
    expect(page.locator("#cut-off")).to_be_visible(timeout=LIMIT_MS)


def turning_with_page(folder: Path, processes: Processes, device: NativeDevice) -> Child:
    """A daemon whose shaft turns, with a page."""
    bench = write_bench(folder, {"pan-a1": device.port})
    bench.write_text(bench.read_text("utf-8") + '\n[web]\nlisten = "127.0.0.1:0"\n', "utf-8")
    mount(folder, "pan-a1")
    serve = processes.start("serve", str(bench))
    say_go(folder, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    serve.says("the page is at")
    return serve


def first_code(processes: Processes) -> str:
    """The code with which an operator sets a password."""
    code, said = asked(processes, "users", "add", "R. Vale", "--role", "operator", "--json")
    assert code == 0, said
    return str(json.loads(said)["code"])


def sign_in(page: Page, url: str, code: str) -> None:
    page.goto(f"{url}sign-in")
    page.fill("#name", "R. Vale")
    page.fill("#word", code)
    page.fill("#fresh", PASSWORD)
    page.click("button")
    page.wait_for_url(url)


def shown(page: Page, url: str) -> str:
    """What the fixture's page says now."""
    page.goto(f"{url}fixture/pan-a1")
    return page.locator("main").text_content() or ""


def expect_said(page: Page, url: str, words: str, place: str) -> None:
    page.goto(url)
    expect(page.locator(place)).to_contain_text(words, timeout=LIMIT_MS)


def alarms(processes: Processes) -> list[dict[str, object]]:
    code, said = asked(processes, "alarms", "--json")
    assert code in {0, 1}, said
    found = json.loads(said)["alarms"]
    assert isinstance(found, list)
    return found
