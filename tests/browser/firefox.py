"""Drives the Firefox that people have, by the protocol that it serves itself (WebDriver BiDi, W3C).

Playwright wants a Firefox of its own making, or one newer than the long-term release; a driver
program in between is not among the system's packages. A dozen commands over one socket are enough.
"""

from __future__ import annotations

import base64
import json
import subprocess
import tempfile
import time
from collections.abc import Sequence
from itertools import count
from pathlib import Path
from typing import Any

from websockets.sync.client import connect

KEYS = {"Tab": "\ue004", "Enter": "\ue007", "Escape": "\ue00c", "Space": " "}
SECONDS_TO_START = 60.0
SECONDS_TO_ANSWER = 60.0


class Firefox:
    """One running browser; `close` ends it."""

    def __init__(self, program: Path, *, name_of_this_machine: str) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="firefox-")
        profile = Path(self._folder.name)
        # Nothing but the pages of a test is to be asked for.
        (profile / "user.js").write_text(
            f'user_pref("network.dns.localDomains", "{name_of_this_machine}");\n'
            'user_pref("app.normandy.enabled", false);\n'
            'user_pref("datareporting.policy.dataSubmissionEnabled", false);\n'
            'user_pref("network.captive-portal-service.enabled", false);\n'
            'user_pref("network.connectivity-service.enabled", false);\n'
        )
        self._process = subprocess.Popen(
            [program, "--headless", "--no-remote", "--profile", profile,
             "--remote-debugging-port", "0"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._numbers = count(1)
        self.events: list[dict[str, Any]] = []
        try:
            self._socket = connect(f"{self._address(profile)}/session", max_size=None)
            self.ask("session.new", {"capabilities": {}})
            self.ask("session.subscribe", {"events": ["log.entryAdded"]})
        except BaseException:
            self._process.kill()
            raise

    def _address(self, profile: Path) -> str:
        file, until = profile / "WebDriverBiDiServer.json", time.monotonic() + SECONDS_TO_START
        while time.monotonic() < until and self._process.poll() is None:
            try:
                said = json.loads(file.read_text())
                return f"ws://{said['ws_host']}:{said['ws_port']}"
            except (OSError, ValueError, KeyError):
                time.sleep(0.05)
        raise RuntimeError("Firefox does not say where it listens.")

    def ask(self, method: str, params: dict[str, Any]) -> Any:
        """Send one command and return its result; events meanwhile are kept."""
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            said = json.loads(self._socket.recv(timeout=SECONDS_TO_ANSWER))
            if said.get("type") == "event":
                self.events.append(said)
            elif said.get("id") == number:
                if said["type"] == "error":
                    raise RuntimeError(f"{method}: {said['error']}: {said.get('message', '')}")
                return said["result"]

    def close(self) -> None:
        """End the browser and take its profile away."""
        try:
            self._socket.close()
        finally:
            self._process.terminate()
            self._process.wait(30)
            self._folder.cleanup()


class FirefoxWindow:
    """One window with cookies of its own; it has the face of `tests.browser.windows.Window`."""

    def __init__(self, firefox: Firefox, *, width: int, height: int) -> None:
        self._firefox = firefox
        self._user = firefox.ask("browser.createUserContext", {})["userContext"]
        self._context = firefox.ask(
            "browsingContext.create", {"type": "tab", "userContext": self._user}
        )["context"]
        self.resize(width, height)
        firefox.events.clear()

    def _ask(self, method: str, **params: Any) -> Any:
        return self._firefox.ask(method, {"context": self._context, **params})

    def resize(self, width: int, height: int) -> None:
        """Give the window another size, in px."""
        self._ask("browsingContext.setViewport", viewport={"width": width, "height": height})

    def open(self, url: str) -> None:
        """Go to an address and wait until the page is there."""
        self._ask("browsingContext.navigate", url=url, wait="complete")

    def run(self, expression: str) -> Any:
        """Return the value of an expression in the page, as JSON carries it."""
        said = self._firefox.ask(
            "script.evaluate",
            {
                "expression": f"(async () => JSON.stringify(await ({expression})))()",
                "target": {"context": self._context},
                "awaitPromise": True,
            },
        )
        if said["type"] != "success":
            raise RuntimeError(said["exceptionDetails"]["text"])
        value = said["result"].get("value")
        return None if value is None else json.loads(value)

    def click(self, selector: str) -> None:
        """Click in the middle of an element, where a person would."""
        x, y = self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            " e.scrollIntoView({block: 'center', behavior: 'instant'});"
            " const r = e.getBoundingClientRect();"
            " return [Math.round(r.x + r.width / 2), Math.round(r.y + r.height / 2)]; })()"
        )
        self._act("pointer", [
            {"type": "pointerMove", "x": x, "y": y},
            {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0},
        ])  # fmt: skip

    def press(self, key: str) -> None:
        """Press a key by its name, or the key of a letter."""
        self._type(KEYS.get(key, key))

    def write(self, selector: str, text: str) -> None:
        """Type a text into a field."""
        self.run(f"document.querySelector({json.dumps(selector)}).focus()")
        self._type(text)

    def choose(self, selector: str, paths: Sequence[Path]) -> None:
        """Choose files in a field for files."""
        nodes = self._ask(
            "browsingContext.locateNodes", locator={"type": "css", "value": selector}
        )["nodes"]
        element = {"sharedId": nodes[0]["sharedId"]}
        self._ask("input.setFiles", element=element, files=[str(path) for path in paths])

    def picture(self, path: Path) -> None:
        """Save what the whole page looks like."""
        said = self._ask("browsingContext.captureScreenshot", origin="document")
        path.write_bytes(base64.b64decode(said["data"]))

    def complaints(self) -> list[str]:
        """Return what the page complained of so far."""
        self.run("1")  # events before this answer are there by now
        entries = [event["params"] for event in self._firefox.events]
        return [str(entry["text"]) for entry in entries if entry["level"] == "error"]

    def close(self) -> None:
        """Close the window and forget its cookies."""
        self._firefox.ask("browser.removeUserContext", {"userContext": self._user})

    def _type(self, text: str) -> None:
        self._act(
            "key", [{"type": kind, "value": c} for c in text for kind in ("keyDown", "keyUp")]
        )

    def _act(self, kind: str, actions: list[dict[str, Any]]) -> None:
        source: dict[str, Any] = {"type": kind, "id": kind, "actions": actions}
        self._ask("input.performActions", actions=[source])
