"""The page for clicking in a real browser: pressed with a mouse, read back as CSV."""

import csv
import io
import json
import shutil
import subprocess
import time
import urllib.request

import pytest

from outcomes.measure.clicking import click_page
from outcomes.paths import data_path

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
SCANS = data_path("synthetic_data", "scans")

PLACE = """(point) => {
  const scan = JSON.parse(document.getElementById("scan").textContent);
  const scene = clickingNow.plot._fullLayout.scene._scene, c = scene.glplot.cameraParams;
  const times = (m, v) => [0, 1, 2, 3].map(r => m[r]*v[0] + m[4+r]*v[1] + m[8+r]*v[2] + m[12+r]*v[3]);
  let v = [...point.map((p, k) => (p - scan.middle[k]) * scan.mm * scene.dataScale[k]), 1];
  v = times(c.projection, times(c.view, times(c.model, v)));
  const box = clickingNow.plot.querySelector("canvas").getBoundingClientRect();
  return [box.left + (v[0]/v[3]/2 + .5) * box.width, box.top + (.5 - v[1]/v[3]/2) * box.height];
}"""


class Page:
    """A page in headless Chromium, driven over its DevTools protocol; no host can be found."""

    def __init__(self, file, folder):
        websocket = pytest.importorskip("websocket")
        options = ["--headless", "--no-sandbox", "--use-angle=swiftshader", "--disable-quic"]
        options += ["--enable-unsafe-swiftshader", "--disable-dev-shm-usage", "--no-first-run"]
        options += ["--disable-background-networking", "--disable-component-update"]
        options += ["--disable-sync", "--remote-debugging-port=0", "--remote-allow-origins=*"]
        options += ["--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"]
        options += [f"--user-data-dir={folder}", "--window-size=1300,1000"]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen([CHROMIUM, *options, "about:blank"], **quiet)
        self.number, self.asked = 0, []
        port = folder / "DevToolsActivePort"
        for _ in range(300):
            if port.exists() and port.read_text().strip():
                break
            time.sleep(0.1)
        pages = f"http://127.0.0.1:{port.read_text().split()[0]}/json"
        with urllib.request.urlopen(pages) as answer:
            address = next(p for p in json.load(answer) if p["type"] == "page")
        self.socket = websocket.create_connection(address["webSocketDebuggerUrl"], timeout=90)
        self.do("Network.enable")
        self.do("Page.navigate", url=file.as_uri())
        ready = "clickingNow.ready.then(() => setTimeout(done, 1500))"
        self.js(
            f"new Promise(done => {{ const f = () => window.clickingNow ? {ready} : setTimeout(f, 50); f(); }})"
        )

    def do(self, method, **params):
        self.number += 1
        self.socket.send(json.dumps({"id": self.number, "method": method, "params": params}))
        while True:
            message = json.loads(self.socket.recv())
            if message.get("method") == "Network.requestWillBeSent":
                self.asked.append(message["params"]["request"]["url"])
            if message.get("id") == self.number:
                assert "error" not in message, message
                return message["result"]

    def js(self, code):
        options = {"awaitPromise": True, "returnByValue": True}
        found = self.do("Runtime.evaluate", expression=code, **options)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def mouse(self, kind, x, y, held=0):
        button = "left" if kind != "mouseMoved" else "none"
        clicks = int(kind != "mouseMoved")
        self.do("Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=held, clickCount=clicks)  # fmt: skip

    def click(self, x, y):
        for dx in (-4, 0):
            self.mouse("mouseMoved", x + dx, y)
            time.sleep(0.6)
        self.mouse("mousePressed", x, y, 1)
        self.mouse("mouseReleased", x, y)
        time.sleep(0.8)
        return self.js("document.querySelector('.say').textContent")

    def type(self, text):
        for key in text:
            self.do("Input.dispatchKeyEvent", type="keyDown", key=key, text=key)
        return self.js("document.querySelector('.say').textContent")

    def close(self):
        self.socket.close()
        self.process.terminate()
        self.process.wait(30)


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_crowns_are_clicked_with_a_mouse(tmp_path):
    file = click_page(SCANS / "P001_1_upper_start.ply", tmp_path / "clicks.html", arch="upper")
    with (SCANS / "P001_1_upper_landmarks.csv").open(newline="") as known:
        rows = [row for row in csv.DictReader(known) if row["point"] == "crown"]
    truth = {int(row["tooth"]): [float(row[axis]) for axis in "xyz"] for row in rows}
    page = Page(file, tmp_path / "profile")
    try:
        where = {t: page.js(f"({PLACE})({json.dumps(truth[t])})") for t in (17, 16, 26)}
        assert page.click(*where[17]) == "17 placed."
        assert page.click(*where[16]) == "16 placed."  # proposed
        beside = [(where[17][k] + where[26][k]) / 2 for k in (0, 1)]
        assert page.click(*beside) == "That was beside the scan: nothing was placed."
        assert page.type("36") == "36 is no tooth of the upper arch: nothing changed."
        assert page.type("26") == "Next: 26."
        assert page.click(*where[26]) == "26 placed."
        assert page.click(*where[26]).startswith("That is the crown of 26.")
        text = page.js("clickingNow.csv()")
        assert page.type("z") == "Taken back."
        assert len(page.js("clickingNow.csv()").splitlines()) == 3
        asked = [a for a in page.asked if not a.startswith(("file:", "data:", "blob:"))]
    finally:
        page.close()
    assert asked == []
    clicked = {int(row["tooth"]): row for row in csv.DictReader(io.StringIO(text))}
    assert list(clicked) == [17, 16, 26]
    for tooth, row in clicked.items():
        off = sum((float(row[a]) - truth[tooth][k]) ** 2 for k, a in enumerate("xyz")) ** 0.5
        assert off < 1.0, (tooth, off)
