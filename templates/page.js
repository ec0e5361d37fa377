// Reads values under the pointer, by touch or by arrow keys, and saves charts
// and data. The numbers come from the tables behind the charts; without this
// script the page shows everything but the reading.
"use strict";
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const WIDE = 60; // steps of the arrow keys across a frame

  // A table's columns as numbers, and which of them are curves.
  function read(table) {
    const heads = [...table.tHead.rows[0].cells];
    const columns = heads.map(() => []);
    for (const row of table.tBodies[0].rows) {
      heads.forEach((_, k) => {
        const text = row.cells[k]?.textContent ?? "";
        columns[k].push(text === "" ? NaN : Number(text));
      });
    }
    const curves = heads.flatMap((head, k) => head.dataset.build === undefined ? [] : [{
      build: Number(head.dataset.build),
      name: head.textContent,
      unit: head.dataset.unit,
      x: columns[Number(head.dataset.x)],
      y: columns[k],
    }]);
    return { xTitle: heads[0].textContent, curves };
  }

  // A panel's frame and axes, from the attributes of its group.
  function panelOf(group) {
    const [left, top, right, bottom] = group.dataset.frame.split(" ").map(Number);
    const axis = (text) => {
      const [scale, low, high] = text.split(" ");
      const f = scale === "log" ? Math.log : (v) => v;
      const back = scale === "log" ? Math.exp : (v) => v;
      const [a, b] = [f(Number(low)), f(Number(high))];
      return { place: (v) => (f(v) - a) / (b - a), value: (p) => back(a + p * (b - a)) };
    };
    return { group, left, top, right, bottom, x: axis(group.dataset.x), y: axis(group.dataset.y) };
  }

  // The measured point nearest to a place along x: nothing is worked out between points.
  function nearest(panel, curve, place) {
    let best = -1, least = 0.03;
    curve.x.forEach((x, k) => {
      const distance = Math.abs(panel.x.place(x) - place);
      if (distance < least && Number.isFinite(curve.y[k])) { least = distance; best = k; }
    });
    return best;
  }

  const shown = (build) => document.getElementById(`show-${build}`)?.checked ?? true;
  // Decibels to a hundredth, everything else to four digits.
  const nice = (v, unit) => (unit?.startsWith("dB") ? v.toFixed(2) : String(Number(v.toPrecision(4)))).replace("-", "−");

  function setUp(figure) {
    const plot = figure.querySelector(".plot");
    const svg = plot.querySelector("svg");
    const out = figure.querySelector(".readout");
    const panels = [...svg.querySelectorAll(".panel")].map(panelOf);
    const tables = new Map();
    const tableOf = (panel) => {
      const at = panel.group.dataset.panel;
      if (!tables.has(at)) {
        const table = figure.querySelector(`table[data-panel="${at}"]`);
        tables.set(at, table && read(table));
      }
      return tables.get(at);
    };
    const cross = document.createElementNS(SVG, "g");
    cross.setAttribute("class", "reading");
    svg.append(cross);
    let panel = panels[0], place = 0.5;

    function show() {
      cross.replaceChildren();
      out.replaceChildren();
      const data = panel && tableOf(panel);
      if (!data) return;
      const line = document.createElementNS(SVG, "path");
      const x = panel.left + place * (panel.right - panel.left);
      line.setAttribute("d", `M${x} ${panel.top}V${panel.bottom}`);
      line.setAttribute("class", "cross");
      cross.append(line);
      const say = (text, build) => {
        const span = document.createElement("span");
        span.textContent = text;
        if (build !== undefined) span.className = `b${build}`;
        out.append(span);
      };
      const unit = data.xTitle.split(", ").at(-1);
      say(`${nice(panel.x.value(place))} ${unit}`);
      for (const curve of data.curves) {
        if (!shown(curve.build)) continue;
        const k = nearest(panel, curve, place);
        if (k < 0) { say(`${curve.name}: no value here`, curve.build); continue; }
        const short = curve.name.split(": ").slice(0, -1).join(" ");
        say(`${short} ${nice(curve.y[k], curve.unit)} ${curve.unit}`, curve.build);
        const height = panel.y.place(curve.y[k]);
        if (height < 0 || height > 1) continue;
        const dot = document.createElementNS(SVG, "circle");
        dot.setAttribute("cx", panel.left + panel.x.place(curve.x[k]) * (panel.right - panel.left));
        dot.setAttribute("cy", panel.bottom - height * (panel.bottom - panel.top));
        dot.setAttribute("r", 3);
        dot.setAttribute("style", `fill: var(--b${curve.build % 8})`);
        cross.append(dot);
      }
    }

    function point(event) {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      panel = panels.find((p) => at.y >= p.top - 20 && at.y <= p.bottom + 20) ?? panel;
      place = Math.min(1, Math.max(0, (at.x - panel.left) / (panel.right - panel.left)));
      show();
    }
    plot.addEventListener("pointermove", point);
    plot.addEventListener("pointerdown", point);
    // A finger that is lifted leaves its reading; a mouse that moves on takes it along.
    plot.addEventListener("pointerleave", (event) => {
      if (event.pointerType === "mouse") { cross.replaceChildren(); out.replaceChildren(); }
    });
    plot.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      const next = { ArrowUp: -1, ArrowDown: 1 }[event.key];
      if (step) place = Math.min(1, Math.max(0, place + step / WIDE));
      else if (next) panel = panels[Math.min(panels.length - 1, Math.max(0, panels.indexOf(panel) + next))];
      else return;
      event.preventDefault();
      show();
    });
    const save = figure.querySelector(".save");
    save.hidden = false;
    save.addEventListener("click", (event) => {
      const what = event.target.dataset?.save;
      if (what === "svg") download(`${figure.id}.svg`, "image/svg+xml", svgText(svg));
      if (what === "csv") download(`${figure.id}.csv`, "text/csv", csvText(figure));
    });
  }

  // The chart as a file of its own: with its title, without the reading.
  function svgText(svg) {
    const copy = svg.cloneNode(true);
    copy.querySelector(".reading")?.remove();
    copy.querySelectorAll(".build").forEach((g) => { if (!shown(g.dataset.build)) g.remove(); });
    const [, , width] = copy.getAttribute("viewBox").split(" ");
    const height = copy.dataset.height;
    copy.setAttribute("viewBox", `0 0 ${width} ${height}`);
    copy.setAttribute("width", width);
    copy.setAttribute("height", height);
    return new XMLSerializer().serializeToString(copy);
  }

  // A cell that a spreadsheet would run as a formula is defused; numbers are left alone.
  function cell(text) {
    const safe = /^[\s]*[=+\-@|%＝＋－＠]/.test(text) && !/^-?[\d.]+(e[+-]?\d+)?$/.test(text) ? `'${text}` : text;
    return /[",\n\r]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  }

  function csvText(figure) {
    const tables = [...figure.querySelectorAll("table.data")];
    return tables.map((table) => [...table.rows].map((row) =>
      [...row.cells].map((c) => cell(c.textContent)).join(",")).join("\r\n")).join("\r\n\r\n") + "\r\n";
  }

  function download(name, type, text) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  document.querySelectorAll("figure").forEach(setUp);
})();
