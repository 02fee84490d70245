"use strict";
// Three plots on one time line. The points come thinned to the width of the screen; each zoom fetches finer ones.
(function () {
  const root = document.getElementById("course");
  const words = JSON.parse(root.dataset.words);
  const language = root.dataset.language;
  const zone = root.dataset.zone;
  const clock = language === "en" ? "en-GB" : language; // a clock of 24 hours
  const readout = document.getElementById("readout");
  const names = ["air_temperature_c", "relative_humidity_pct", "water_content_fraction"];
  const decimals = [1, 0, 3];
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const when = new Intl.DateTimeFormat(clock, { dateStyle: "short", timeStyle: "short", timeZone: zone });
  const tick = new Intl.DateTimeFormat(clock, { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: zone });
  // The readout is the legend; the library's own would write a style that the page's policy refuses.
  Dygraph.PLUGINS = Dygraph.PLUGINS.filter((part) => part !== Dygraph.Plugins.Legend);
  const plots = [];
  let shown = null;
  let asked = 0;
  let drawing = false;

  const number = (value, digits) => value.toLocaleString(language, { minimumFractionDigits: digits, maximumFractionDigits: digits });

  function under(place) {
    return function (canvas, area, plot) {
      if (!shown) return;
      const [low, high] = plot.xAxisRange();
      canvas.save();
      canvas.fillStyle = colour("--lamp");
      for (const [from, to] of shown.lit) {
        if (to < low || from > high) continue;
        const left = Math.max(area.x, plot.toDomXCoord(from));
        const right = Math.min(area.x + area.w, plot.toDomXCoord(to));
        canvas.fillRect(left, area.y, right - left, area.h);
      }
      canvas.strokeStyle = colour("--leaf");
      canvas.setLineDash([6, 4]);
      for (const edge of shown.bands[names[place]] || []) {
        const y = plot.toDomYCoord(edge);
        canvas.beginPath(); canvas.moveTo(area.x, y); canvas.lineTo(area.x + area.w, y); canvas.stroke();
      }
      canvas.setLineDash([]);
      canvas.strokeStyle = colour("--alarm");
      canvas.lineWidth = 2;
      for (const [at] of shown.trips) {
        const x = plot.toDomXCoord(at);
        if (at < low || at > high) continue;
        canvas.beginPath();
        canvas.moveTo(x - 6, area.y + 4); canvas.lineTo(x + 6, area.y + 16);
        canvas.moveTo(x + 6, area.y + 4); canvas.lineTo(x - 6, area.y + 16);
        canvas.stroke();
      }
      if (place === 2) {
        canvas.fillStyle = colour("--water");
        const most = Math.max(1, ...shown.doses.map((dose) => dose[1]));
        for (const [at, ml] of shown.doses) {
          if (at < low || at > high) continue;
          const x = plot.toDomXCoord(at), foot = area.y + area.h, tall = 6 + 24 * ml / most;
          canvas.beginPath(); canvas.moveTo(x - 4, foot); canvas.lineTo(x, foot - tall); canvas.lineTo(x + 4, foot); canvas.fill();
        }
        canvas.strokeStyle = colour("--ink");
        canvas.lineWidth = 1;
        for (const at of shown.looks) {
          if (at < low || at > high) continue;
          canvas.beginPath(); canvas.arc(plot.toDomXCoord(at), area.y + 10, 4, 0, 7); canvas.stroke();
        }
      }
      canvas.restore();
    };
  }

  function tell(event, x) {
    const parts = [when.format(new Date(x))];
    names.forEach((name, place) => {
      let near = null;
      for (const [at, value] of shown.channels[name]) {
        if (value !== null && (near === null || Math.abs(at - x) < Math.abs(near[0] - x))) near = [at, value];
      }
      if (near) {
        const [title, unit] = words[name].split(/, (?=[^,]*$)/);
        parts.push(title + " " + number(near[1], decimals[place]) + " " + (place === 2 ? "" : unit));
      }
    });
    parts.push(shown.lit.some(([from, to]) => from <= x && x < to) ? words.lit : words.dark);
    const reach = (shown.to_ms - shown.from_ms) / 100;
    for (const [at, ml] of shown.doses) if (Math.abs(at - x) < reach) parts.push(words.dose.replace("{ml}", number(ml, 1)));
    for (const [at, text] of shown.trips) if (Math.abs(at - x) < reach) parts.push("✕ " + text);
    readout.textContent = parts.join(" · ");
  }

  function rows(name) {
    const found = shown.channels[name].map(([at, value]) => [new Date(at), value]);
    return found.length ? found : [[new Date(shown.from_ms), null]];
  }

  // the values shown and the band, with a little air around them
  function heights(name) {
    const found = shown.channels[name].map((point) => point[1]).filter((value) => value !== null).concat(shown.bands[name] || []);
    if (!found.length) return null;
    const low = Math.min(...found), high = Math.max(...found), air = (high - low) * 0.08 || 1;
    return [low - air, high + air];
  }

  function draw() {
    drawing = true;
    names.forEach((name, place) => {
      const range = [shown.from_ms, shown.to_ms];
      if (plots[place]) {
        plots[place].updateOptions({ file: rows(name), dateWindow: range, valueRange: heights(name) });
        return;
      }
      plots[place] = new Dygraph(document.getElementById("plot-" + name), rows(name), {
        labels: ["t", name],
        dateWindow: range,
        valueRange: heights(name),
        colors: [colour(["--clay", "--water", "--leaf"][place])],
        strokeWidth: 1.6,
        gridLineColor: colour("--rule"),
        axisLineColor: colour("--faint"),
        axisLabelFontSize: 13,
        labelsUTC: true,
        highlightCircleSize: 4,
        axes: {
          x: { axisLabelFormatter: (at) => tick.format(at), axisLabelWidth: 100, pixelsPerLabel: 120 },
          y: { axisLabelFormatter: (value) => number(value, place === 2 ? 2 : 0), axisLabelWidth: 48 },
        },
        underlayCallback: under(place),
        highlightCallback: tell,
        zoomCallback: (low, high) => load(low, high),
        interactionModel: Object.assign({}, Dygraph.Interaction.defaultModel, { dblclick: () => load() }),
        drawCallback: (plot, first) => {
          if (drawing || first) return;
          const [low, high] = plot.xAxisRange();
          window.clearTimeout(asked);
          asked = window.setTimeout(() => load(low, high), 250);
        },
      });
    });
    drawing = false;
  }

  async function load(from, to) {
    window.clearTimeout(asked);
    const query = new URLSearchParams({ columns: String(Math.min(1600, Math.max(200, root.clientWidth))) });
    if (from !== undefined) query.set("from_ms", String(Math.round(from)));
    if (to !== undefined) query.set("to_ms", String(Math.round(to)));
    try {
      const answer = await fetch("course/data?" + query);
      if (!answer.ok) throw new Error(String(answer.status));
      const found = await answer.json();
      if (!found.channels[names[0]]) throw new Error("nothing yet");
      shown = found;
      draw();
      root.dataset.drawn = String(shown.from_ms);
    } catch (error) {
      readout.textContent = words.failed;
    }
  }

  root.addEventListener("click", (event) => {
    const what = event.target.dataset.do;
    if (!what || !shown) return;
    const [first, last] = shown.extent_ms;
    const span = shown.to_ms - shown.from_ms, middle = shown.from_ms + span / 2;
    if (what === "whole") load();
    if (what === "last_week") load(last - 7 * 86400000, last);
    if (what === "last_day") load(last - 86400000, last);
    if (what === "earlier") load(Math.max(first, shown.from_ms - span / 2), Math.max(first, shown.from_ms - span / 2) + span);
    if (what === "later") load(Math.min(last, shown.to_ms + span / 2) - span, Math.min(last, shown.to_ms + span / 2));
    if (what === "zoom_in") load(middle - span / 4, middle + span / 4);
    if (what === "zoom_out") load(middle - span, middle + span);
  });

  // paper is narrower than most screens: the plots are made smaller for it
  const PAPER_PX = 690;
  window.addEventListener("beforeprint", () => { root.style.zoom = String(Math.min(1, PAPER_PX / root.clientWidth)); });
  window.addEventListener("afterprint", () => { root.style.zoom = ""; });

  root.hidden = false;
  load();
})();
