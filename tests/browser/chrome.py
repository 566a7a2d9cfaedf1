"""A real Chromium without a window, spoken to by its own DevTools protocol; no network, no driver program."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
# Swiftshader draws WebGL on the processor; nothing may call home.
_FLAGS = (
    "--headless=new", "--no-sandbox", "--enable-unsafe-swiftshader", "--use-angle=swiftshader",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run",
    "--disable-default-apps", "--disable-extensions", "--disable-gpu-compositing", "--hide-scrollbars",
    "--remote-allow-origins=*", "--remote-debugging-port=0", "--window-size=1280,900",
)  # fmt: skip


class Chrome:
    """One browser with one page; `events` keeps all that it told."""

    def __init__(self, profile: Path) -> None:
        from websocket import create_connection

        assert PROGRAM is not None
        log = profile / "chromium.log"
        with log.open("wb") as out:
            self._process = subprocess.Popen(
                [PROGRAM, *_FLAGS, f"--user-data-dir={profile}", "about:blank"], stdout=out, stderr=out
            )
        self.events: list[dict[str, Any]] = []
        self._number = 0
        try:
            port = self._port(profile / "DevToolsActivePort", log)
            self._socket = create_connection(f"ws://127.0.0.1:{port[0]}{port[1]}", timeout=120)
            target = self._plain("Target.createTarget", url="about:blank")["targetId"]
            self._session = self._plain("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Network", "Log"):
                self.call(f"{domain}.enable")
        except BaseException:
            self.close()
            raise

    def _port(self, path: Path, log: Path) -> list[str]:
        for _ in range(600):
            if path.exists() and len(lines := path.read_text().split()) == 2:
                return lines
            if self._process.poll() is not None:
                break
            time.sleep(0.1)
        raise RuntimeError(f"Chromium did not start: {log.read_text(errors='replace')[-600:]}")

    def _plain(self, method: str, session: str | None = None, **parameters: Any) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        self._socket.send(json.dumps(message))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        return self._plain(method, self._session, **parameters)

    def run(self, script: str) -> Any:
        """The value of a JavaScript expression; a promise is waited for."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def open(self, path: Path) -> float:
        """Open a file, wait until its 3D view says that it is ready (or has none); seconds that it took."""
        self.events.clear()
        start = time.perf_counter()
        self.call("Page.navigate", url=path.as_uri())
        ready = (
            "document.readyState === 'complete' && location.href !== 'about:blank' && "
            "(document.documentElement.dataset.view || document.querySelector('.without') ? true : false)"
        )
        while not self.run(ready):
            if time.perf_counter() - start > 90:
                raise RuntimeError("the page never became ready")
            time.sleep(0.02)
        return time.perf_counter() - start

    def complaints(self) -> list[str]:
        """What stands in the console or was thrown; the driver's remarks on its own speed (of screenshots) left out."""
        found = []
        for event in self.events:
            if event["method"] == "Runtime.exceptionThrown":
                found.append(str(event["params"]["exceptionDetails"]))
            elif event["method"] in ("Runtime.consoleAPICalled", "Log.entryAdded"):
                if "GL Driver Message (OpenGL, Performance" in str(event["params"]):
                    continue
                found.append(str(event["params"]))
        return found

    def requests(self) -> list[str]:
        """Addresses that the page asked for, those that it carries itself left out."""
        asked = [e["params"]["request"]["url"] for e in self.events if e["method"] == "Network.requestWillBeSent"]
        return [url for url in asked if not url.startswith("data:")]

    def picture(self) -> bytes:
        return base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])

    def pdf(self, width: float, height: float) -> bytes:
        """Printed on paper of that size in mm, the page's own margins kept."""
        answer = self.call(
            "Page.printToPDF", paperWidth=width / 25.4, paperHeight=height / 25.4, preferCSSPageSize=False,
            printBackground=True,
        )  # fmt: skip
        return base64.b64decode(answer["data"])

    def click(self, x: float, y: float) -> None:
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def move(self, x: float, y: float) -> None:
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def press(self, key: str) -> None:
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key)

    def close(self) -> None:
        if hasattr(self, "_socket"):
            self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
