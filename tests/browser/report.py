"""Opens written reports in a real browser and checks what only a browser can tell.

    python3 tests/browser/report.py REPORT_DIR [MORE_REPORT_DIRS]

Each folder holds report.html and report.json. Exit code 1 with one line for
each fault. Only Python's own library and Chromium (or $CHROMIUM) are needed.
"""

import base64
import json
import math
import pathlib
import re
import sys

from chromium import Browser

# A label's box as the browser gives it has the font's full line height; glyphs
# fill about three quarters of it (DejaVu Sans: ascent 0.93, descent 0.24, capitals
# 0.73 em). Boxes are trimmed to that before they are compared.
TEXT_BOXES = """[...document.querySelectorAll('.plot svg')].map(svg => {
  const frame = svg.getBoundingClientRect();
  return { id: svg.closest('figure').id, frame: [frame.left, frame.top, frame.right, frame.bottom],
    texts: [...svg.querySelectorAll('.panel text, .head .build text')].map(t => {
      const b = t.getBoundingClientRect(), h = b.height;
      return { text: t.textContent, box: [b.left, b.top + 0.2 * h, b.right, b.bottom - 0.2 * h] };
    }) };
})"""

CONTRASTS = """(() => {
  const channel = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const luminance = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(Number);
    return 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b); };
  const paper = luminance(getComputedStyle(document.body).backgroundColor);
  const ratio = c => { const l = luminance(c); return (Math.max(l, paper) + 0.05) / (Math.min(l, paper) + 0.05); };
  const out = [];
  for (const t of document.querySelectorAll('.plot text:not(.reversed):not(.inside)'))
    out.push([t.textContent, ratio(getComputedStyle(t).fill)]);
  for (const t of document.querySelectorAll('p, li, td, th, dt, dd, figcaption, h1, h2, h3, small'))
    if (t.textContent.trim()) out.push([t.textContent.slice(0, 40), ratio(getComputedStyle(t).color)]);
  return out;
})()"""

# WCAG 2.2, success criterion 1.4.3 (AA): text needs 4.5 to 1.
LEAST_CONTRAST = 4.5


class Faults(list):
    def check(self, good, message):
        if not good:
            self.append(message)


def overlaps(a, b):
    return a[0] < b[2] - 0.5 and b[0] < a[2] - 0.5 and a[1] < b[3] - 0.5 and b[1] < a[3] - 0.5


def check_labels(browser, where, faults):
    for chart in browser.js(TEXT_BOXES):
        texts = [t for t in chart["texts"] if t["text"].strip()]
        left, _, right, bottom = chart["frame"]
        for at, a in enumerate(texts):
            box = a["box"]
            inside = box[0] >= left - 1 and box[2] <= right + 1 and box[3] <= bottom + 1
            faults.check(inside, f"{where}: {chart['id']}: {a['text']!r} leaves the chart")
            for b in texts[at + 1:]:
                faults.check(not overlaps(box, b["box"]),
                             f"{where}: {chart['id']}: {a['text']!r} lies on {b['text']!r}")


def nearest_on_curve(curve, x_name, y_name, x):
    """What the page should read: the measured point nearest along a log axis."""
    names = [c["name"] for c in curve["data"]["columns"]]
    at_x, at_y = names.index(x_name), names.index(y_name)
    points = [(row[at_x], row[at_y]) for row in curve["data"]["rows"]
              if row[at_x] is not None and row[at_y] is not None and row[at_x] > 0]
    return min(points, key=lambda p: abs(math.log(p[0] / x)))


def check_hover(browser, document, faults):
    """The readout shows what the comparison holds, at three places of the first response chart."""
    figure = browser.js("document.querySelector('figure[id^=response-]')?.id")
    if not figure:
        faults.append("no response chart to hover over")
        return
    setting = document["settings"][0]["name"]
    curves = [c for c in document["curves"] if c["setting"] == setting and c["curve"] == "response_low_drive"]
    for hertz in (82.4, 1000.0, 6000.0):
        browser.js(f"document.getElementById('{figure}').scrollIntoView({{block: 'center'}})")
        place = browser.js(f"""(() => {{
          const svg = document.querySelector('#{figure} svg'), panel = svg.querySelector('.panel');
          const [left, top, right, bottom] = panel.dataset.frame.split(' ').map(Number);
          const [, low, high] = panel.dataset.x.split(' ').map((v, k) => k ? Number(v) : v);
          const x = left + Math.log({hertz} / low) / Math.log(high / low) * (right - left);
          const at = new DOMPoint(x, (top + bottom) / 2).matrixTransform(svg.getScreenCTM());
          return [at.x, at.y];
        }})()""")
        browser.move(*place)
        text = browser.js(f"document.querySelector('#{figure} .readout').textContent")
        for curve in curves:
            _, expected = nearest_on_curve(curve, "frequency", "magnitude", hertz)
            # Five digits in the table, of which decibels are read out to a hundredth.
            shown = f"{float(format(expected, '.5g')):.2f}".replace("-", "−")
            value = re.compile(r"(^|[^\d.−])" + re.escape(shown) + " dB")
            faults.check(value.search(text),
                         f"hover at {hertz} Hz: expected {shown} dB of {curve['build']!r} in {text!r}")
    browser.move(1, 1)
    faults.check(browser.js(f"document.querySelector('#{figure} .readout').textContent") == "",
                 "the readout stays after the pointer has left")


def check_touch(browser, faults):
    figure = "document.querySelector('figure[id^=response-]')"
    browser.js(f"{figure}.scrollIntoView({{block: 'center'}})")
    box = browser.js(f"(() => {{ const b = {figure}.querySelector('.plot').getBoundingClientRect(); "
                     "return [b.left + b.width / 2, b.top + b.height / 4]; })()")
    browser.call("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": box[0], "y": box[1]}]})
    browser.call("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    text = browser.js(f"{figure}.querySelector('.readout').textContent")
    faults.check("Hz" in text and "dB" in text, f"a tap reads nothing: {text!r}")


def check_keyboard(browser, faults):
    browser.js("document.querySelector('figure[id^=response-] .plot').focus()")
    browser.key("ArrowRight")
    text = browser.js("document.querySelector('figure[id^=response-] .readout').textContent")
    faults.check("Hz" in text and "dB" in text, f"an arrow key reads nothing: {text!r}")


def check_hiding(browser, document, faults):
    shown = ("[...document.querySelectorAll('.chart g.b1')]"
             ".filter(g => getComputedStyle(g).display !== 'none').length")
    faults.check(browser.js(shown) > 0, "the second build is in no chart")
    browser.js("document.getElementById('show-1').click()")
    faults.check(browser.js(shown) == 0, "the second build is still drawn after it was hidden")
    browser.key("ArrowRight")
    spans = browser.js("document.querySelectorAll('figure[id^=response-] .readout .b1').length")
    faults.check(spans == 0, "a hidden build is still read out")
    browser.js("document.getElementById('show-1').click()")
    faults.check(browser.js(shown) > 0, "the second build does not come back")


def check_saving(browser, faults):
    """What the buttons save, caught before it becomes a file."""
    browser.js("""window.saved = [];
      HTMLAnchorElement.prototype.click = function () { saved.push(this.download); };
      const make = URL.createObjectURL; window.blobs = [];
      URL.createObjectURL = (blob) => { blobs.push(blob); return make(blob); };
      const figure = document.querySelector('figure[id^=response-]');
      figure.querySelector('details').open = true;
      figure.querySelectorAll('button').forEach(b => b.click());
      Promise.all(blobs.map(b => b.text())).then(t => window.texts = t);""")
    while browser.js("window.texts === undefined"):
        pass
    names, (svg, csv) = browser.js("saved"), browser.js("texts")
    faults.check([n.rsplit(".", 1)[1] for n in names[:2]] == ["svg", "csv"], f"saved files are {names}")
    faults.check(svg.startswith("<svg") and 'class="head"' in svg, "the saved chart has lost its head")
    faults.check(len(csv.splitlines()) > 50, f"the saved data has {len(csv.splitlines())} lines")


def check_print(browser, document, faults):
    for name, width, height in (("A4", 8.27, 11.69), ("Letter", 8.5, 11.0)):
        pdf = base64.b64decode(browser.call("Page.printToPDF", {
            "paperWidth": width, "paperHeight": height, "preferCSSPageSize": False, "printBackground": False,
        })["data"])
        pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
        charts = browser.js("document.querySelectorAll('figure').length")
        # A chart takes a page at most; tables, method and cautions some ten more.
        most = 10 + charts
        faults.check(3 <= pages <= most, f"{name}: {pages} pages for {charts} charts, at most {most} expected")
        print(f"  {name}: {pages} pages")


def check_text_is_text(browser, document, faults):
    title = browser.js("document.querySelector('h1').textContent")
    clean = re.sub("[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c]", "\ufffd",
                   document["title"])
    faults.check(title == clean, f"the title reads {title!r}")
    foreign = browser.js("document.querySelectorAll('img, iframe, object, embed, svg script, [onclick], [onload], [onerror]').length")
    faults.check(foreign == 0, f"{foreign} elements that no template has")
    faults.check(browser.js("document.querySelectorAll('script').length") == 1, "more than the one script")


def check_report(browser, folder):
    faults = Faults()
    folder = pathlib.Path(folder).resolve()
    document = json.loads((folder / "report.json").read_text())
    page = folder / "report.html"
    size = page.stat().st_size
    faults.check(size < 3_000_000, f"the page has {size} bytes, 3 MB are allowed")
    url = page.as_uri()
    for width in (600, 1200):
        for dark in (False, True):
            where = f"{width} px {'dark' if dark else 'light'}"
            browser.open(url, width, dark=dark)
            faults.extend(f"{where}: {c}" for c in browser.complaints())
            check_labels(browser, where, faults)
            for text, ratio in browser.js(CONTRASTS):
                faults.check(ratio >= LEAST_CONTRAST, f"{where}: {text!r} has a contrast of {ratio:.1f}")
            wide = browser.js("document.documentElement.scrollWidth")
            faults.check(wide <= width, f"{where}: the page is {wide} px wide")
    check_text_is_text(browser, document, faults)
    browser.open(url, 360)
    wide = browser.js("document.documentElement.scrollWidth")
    faults.check(wide <= 360, f"on a phone the page is {wide} px wide")
    browser.open(url, 1000)
    check_hover(browser, document, faults)
    check_touch(browser, faults)
    check_keyboard(browser, faults)
    check_hiding(browser, document, faults)
    check_saving(browser, faults)
    check_print(browser, document, faults)
    faults.extend(browser.complaints())
    return faults


def main():
    if len(sys.argv) < 2:
        print(__doc__)
        return 2
    browser = Browser()
    bad = 0
    try:
        for folder in sys.argv[1:]:
            print(folder)
            faults = check_report(browser, folder)
            for fault in dict.fromkeys(faults):
                print(f"  FAULT {fault}")
            bad += len(faults)
    finally:
        browser.close()
    print("faults:", bad)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
