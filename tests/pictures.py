"""Photograph the demo for the README: `make pictures` writes fixtures/pictures/*.png."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import django
from playwright.sync_api import sync_playwright

from tests.browsing import chromium_program

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "fixtures" / "pictures"
SIZE, TABLET = {"width": 1440, "height": 900}, {"width": 1024, "height": 768}
AT_THE_CHAIR = {"run", "machine"}
SECONDS_TO_START = 30


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served() -> Iterator[str]:
    """Serve the demo as `make demo` does; yield its address."""
    port = free_port()
    program = Path(sys.executable).with_name("granian")
    command = [str(program), "--interface", "wsgi", "--host", "127.0.0.1", "--port", str(port), "--workers", "1"]
    process = subprocess.Popen([*command, "--log-level", "warning", "programme.wsgi:application"], cwd=ROOT)
    address = f"http://127.0.0.1:{port}"
    try:
        give_up = time.monotonic() + SECONDS_TO_START
        while True:
            try:
                urlopen(f"{address}/sign-in/").close()
                break
            except URLError:
                if process.poll() is not None or time.monotonic() > give_up:
                    raise
                time.sleep(0.2)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=SECONDS_TO_START)


def sign_in_cookie() -> dict[str, str]:
    """Make a signed-in nurse of the demo, as the sign-in page would."""
    from django.contrib.auth import get_user_model  # noqa: PLC0415 -- app ready
    from django.test import Client  # noqa: PLC0415 -- app ready

    nurse = get_user_model().objects.filter(is_demo=True, role="nurse").first()
    if nurse is None:
        sys.exit("There is no demo to photograph: run 'make demo' once.")
    client = Client()
    client.force_login(nurse)
    cookie = next(iter(client.cookies.values()))
    return {"name": cookie.key, "value": cookie.value}


def person_to_show() -> str:
    """The person with the longest course among those with a suggestion, one whose pace has changed if there is any."""
    from django.db.models import Count  # noqa: PLC0415 -- app ready

    from patients.models import Patient  # noqa: PLC0415 -- app ready

    people = Patient.objects.active().filter(suggestion__status="ok")
    longest = people.annotate(n=Count("exchange_sessions")).order_by("-n", "patient_ref")
    person = longest.filter(forecast__flag__isnull=False).first() or longest.first()
    if person is None:
        sys.exit("Nothing is suggested for anybody in the demo: run 'make demo' once.")
    return str(person.patient_ref)


def session_in(state: str, method: str = "two_arm") -> str:
    """Where the pages of today's session in this state, carried out by this method, begin."""
    from sessions.models import ExchangeSession  # noqa: PLC0415 -- app ready

    of_method = ExchangeSession.objects.filter(origin="here", state=state, method=method)
    found = of_method.select_related("patient").order_by("-on").first()
    if found is None:
        sys.exit(f"No session of the demo by {method} is {state}: make the demo anew after six in the morning.")
    return f"/people/{found.patient.patient_ref}/day/{found.pk}/"


def main() -> int:
    os.environ["DJANGO_SETTINGS_MODULE"] = "programme.settings"
    django.setup()
    cookie, ref = sign_in_cookie(), person_to_show()
    pages = {"list": "/", "course": f"/people/{ref}/", "plan": f"/people/{ref}/plan/", "try": f"/try/?ref={ref}"}
    pages |= {"day-plan": f"{session_in('planned')}plan/", "run": f"{session_in('running')}run/"}
    pages |= {"after": f"{session_in('finished')}after/", "machine": f"{session_in('running', 'automated')}run/"}
    pages |= {"clinic": f"/people/{ref}/#year-head"}
    pages |= {"review": "/review/"}
    pages |= {"diary": "/diary/", "blood": "/blood/#demand-head", "inbox": "/inbox/"}
    PICTURES.mkdir(parents=True, exist_ok=True)
    with served() as address, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_program(), args=["--no-sandbox", "--disable-gpu"])
        context = browser.new_context(viewport=SIZE)
        context.add_cookies([{**cookie, "url": address}])
        page = context.new_page()
        for name, path in pages.items():
            page.set_viewport_size(TABLET if name in AT_THE_CHAIR else SIZE)
            answer = page.goto(address + path, wait_until="networkidle")
            if answer is None or not answer.ok:
                sys.exit(f"{path} cannot be photographed: {answer and answer.status}")
            page.screenshot(path=str(PICTURES / f"{name}.png"))
            print(f"fixtures/pictures/{name}.png  {path}")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
