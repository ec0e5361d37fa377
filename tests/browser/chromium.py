"""Drives a headless Chromium through its debugging pipe; only Python's own library."""

import json
import os
import shutil
import subprocess
import tempfile

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-extensions", "--hide-scrollbars", "--remote-debugging-pipe",
]


class Browser:
    """One browser with one page; events are kept until asked for."""

    def __init__(self):
        self.profile = tempfile.mkdtemp(prefix="twinload-browser-")
        to_browser, self.out = os.pipe()
        self.inp, from_browser = os.pipe()

        def fds():
            os.dup2(to_browser, 103)
            os.dup2(from_browser, 104)
            os.dup2(103, 3)
            os.dup2(104, 4)

        self.process = subprocess.Popen(
            [os.environ.get("CHROMIUM", "chromium"), *FLAGS, f"--user-data-dir={self.profile}"],
            preexec_fn=fds, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self.buffer = b""
        self.number = 0
        self.events = []
        target = self.call("Target.createTarget", {"url": "about:blank"}, None)["targetId"]
        self.session = self.call("Target.attachToTarget", {"targetId": target, "flatten": True}, None)["sessionId"]
        for domain in ["Page", "Runtime", "Log", "Network"]:
            self.call(f"{domain}.enable")

    def close(self):
        try:
            self.call("Browser.close", {}, None)
        except (OSError, EOFError):
            pass
        self.process.wait(timeout=20)
        shutil.rmtree(self.profile, ignore_errors=True)

    def call(self, method, params=None, session=True):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params or {}}
        if session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)
            if answer.get("method") == "Page.javascriptDialogOpening":
                raise AssertionError(f"a dialog opened: {answer['params']}")

    def _read(self):
        while b"\0" not in self.buffer:
            chunk = os.read(self.inp, 1 << 20)
            if not chunk:
                raise EOFError("the browser went away")
            self.buffer += chunk
        message, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(message)

    def open(self, url, width, height=900, dark=False):
        self.events.clear()
        self.call("Emulation.setDeviceMetricsOverride",
                  {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})
        scheme = "dark" if dark else "light"
        self.call("Emulation.setEmulatedMedia",
                  {"media": "screen", "features": [{"name": "prefers-color-scheme", "value": scheme}]})
        self.call("Page.navigate", {"url": url})
        while self.js("document.readyState") != "complete" or self.js("location.href") != url:
            pass

    def js(self, expression):
        """The value of an expression in the page."""
        result = self.call("Runtime.evaluate", {"expression": expression, "returnByValue": True})
        if "exceptionDetails" in result:
            raise RuntimeError(f"{expression}: {result['exceptionDetails']}")
        return result["result"].get("value")

    def complaints(self):
        """Console errors, exceptions, and requests for anything but the page itself."""
        found = []
        for event in self.events:
            method, params = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown":
                found.append(f"exception: {params['exceptionDetails'].get('text')}")
            elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
                found.append(f"console: {params['args']}")
            elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
                found.append(f"log: {params['entry']['text']}")
            elif method == "Network.requestWillBeSent" and params["type"] != "Document":
                found.append(f"request: {params['request']['url'][:100]}")
        return found

    def move(self, x, y):
        self.call("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "y": y})

    def key(self, name):
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", {"type": kind, "key": name, "code": name})
