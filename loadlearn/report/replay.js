// Replays a drive. Every panel is drawn once, out of sight, for the stretch of time that is shown;
// a frame then copies what lies between the old and the new play-head, whatever the drive's length.
(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("replay-data").textContent);
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const play = byId("play"), pace = byId("pace"), scrub = byId("scrub"), kinds = byId("kinds");
  const shown = byId("shown"), which = byId("which"), place = byId("goto"), rail = byId("rail");
  const marks = byId("marks"), bar = byId("bar"), holder = byId("panels"), ticks = byId("ticks");
  const ROW = 15;               // of a strip (px)
  const GAP_S = 5;              // a curve does not bridge a longer hole in its log ...
  const GAP_SAMPLES = 3;        // ... nor one of more usual intervals
  const READ_EVERY_MS = 100;    // readings, while playing
  const dashes = { solid: [], dashed: [6, 4], dotted: [1.5, 3], dash_dot: [7, 3, 1.5, 3] };

  // What the page holds: 16-bit steps of a signal's range, 65535 where there is no value.
  const bytes = (text) => Uint8Array.from(atob(text), (one) => one.charCodeAt(0)).buffer;
  const decode = (packed, text) => {
    const codes = new Uint16Array(bytes(text)), values = new Float32Array(codes.length);
    const step = (packed.greatest - packed.least) / 65534;
    for (let i = 0; i < codes.length; i++) {
      values[i] = codes[i] === 65535 ? NaN : packed.least + codes[i] * step;
    }
    return values;
  };
  const opened = new Map();
  const open = (run) => {
    if (opened.has(run)) return opened.get(run);
    const time = Float64Array.from(new Uint32Array(bytes(run.time)), (ms) => run.start + ms / 1e3);
    const signals = {};
    for (const [name, packed] of Object.entries(run.signals)) {
      signals[name] = {};
      for (const part of ["first", "second", "low", "high"]) {
        signals[name][part] = packed[part] ? decode(packed, packed[part]) : null;
      }
    }
    opened.set(run, { time, signals });
    return opened.get(run);
  };

  let run, time, signals;       // what is replayed
  let gap = GAP_S;
  let toldAt = NaN;             // the event whose words stand beside the readings (s)
  let panels = [];
  let at = 0, left = 0, right = 1;      // play-head and ends of what is shown (s)
  let last = null, lastRead = 0;        // stamps of the last frame and reading (ms); null: paused
  let ratio = 1, wide = 1, painted = 0; // device pixels: per pixel, of a plot, up to the play-head
  let colours = {};

  const clockText = (seconds) => {
    const whole = Math.floor(seconds + 1e-6);
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  };
  const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
  const indexAt = (seconds) => {
    let low = 0, high = time.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (time[middle] <= seconds) low = middle; else high = middle - 1;
    }
    return low;
  };
  const across = (seconds) => (seconds - left) / (right - left) * wide;
  const element = (name, className, text) => {
    const made = document.createElement(name);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  };

  // ---- panels -------------------------------------------------------------------------------
  const swatch = (curve) => {
    const space = "http://www.w3.org/2000/svg";
    const picture = document.createElementNS(space, "svg");
    picture.setAttribute("class", "swatch");
    picture.setAttribute("viewBox", "0 0 26 8");
    picture.setAttribute("aria-hidden", "true");
    const line = document.createElementNS(space, "line");
    const look = { x1: 0, x2: 26, y1: 4, y2: 4, "stroke-dasharray": dashes[curve.dash].join(" ") };
    for (const [key, value] of Object.entries(look)) line.setAttribute(key, value);
    line.style.cssText = `stroke: var(--${curve.colour}); stroke-width: 2.4`;
    picture.append(line);
    return picture;
  };
  const axisTicks = (panel) => {
    const [low, high] = panel.range;
    if (panel.logarithmic) {
      const some = [];
      for (let decade = -4; decade < 2; decade++) {
        const few = high > 8 * low ? [1, 3] : high > 3 * low ? [1, 1.5, 2, 3, 5, 7]
          : [1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 6, 7, 8, 9];
        for (const step of few) some.push(step * 10 ** decade);
      }
      return some.filter((value) => value >= low && value <= high);
    }
    const rough = 0.75 * (high - low) / Math.max(panel.height / 34, 1.5);
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = power * [1, 2, 5, 10].find((one) => one * power >= rough * 0.999);
    const some = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high; k++) some.push(k * step);
    return some;
  };
  const written = (value, decimals) =>
    Number(value.toFixed(decimals)).toLocaleString("en-GB", { minimumFractionDigits: decimals,
      maximumFractionDigits: decimals, useGrouping: Math.abs(value) >= 10000 }).replace("-", "−");
  const tickText = (value) => String(Number(value.toPrecision(6))).replace("-", "−");

  const build = () => {
    holder.textContent = "";
    panels = [];
    for (const given of data.panels) {
      const panel = { ...given, range: given.ranges[run.simulated ? "simulated" : "recorded"] };
      const curves = panel.curves.filter((one) => signals[one.column]);
      const strips = panel.strips.filter((one) => run.strips[one]?.spans.length);
      if (!curves.length && !strips.length) continue;
      const rows = [];
      for (const name of strips) {
        const words = name === "protections" ? run.strips[name].words : [null];
        words.forEach((word, k) => rows.push({ strip: run.strips[name], name, word, number: k }));
      }
      const height = curves.length ? panel.height : rows.length * ROW + 1;
      const single = curves.length === 1 && curves[0].words !== "learnt";
      const box = element("div", single ? "panel single" : "panel");
      const title = element("div", "title", panel.title + (panel.unit ? ` (${panel.unit})` : ""));
      const axis = element("div", "axis");
      const plot = element("div", "plot");
      const reading = element("dl", "reading");
      axis.style.height = plot.style.height = `${height}px`;
      const grid = element("canvas"), front = element("canvas");
      grid.setAttribute("aria-hidden", "true");
      front.setAttribute("role", "img");
      front.setAttribute("aria-label", `${panel.title} over time, up to the play-head`);
      plot.append(grid, front);
      box.append(title, axis, plot, reading);
      holder.append(box);
      const one = { ...panel, curves, rows, height, grid, front, axis,
        whole: document.createElement("canvas"), outputs: [] };
      if (curves.length) {
        const [low, high] = panel.range.map((end) => panel.logarithmic ? Math.log(end) : end);
        one.up = (value) => {
          const scaled = value * panel.factor;
          const share = ((panel.logarithmic ? Math.log(scaled) : scaled) - low) / (high - low);
          return (1 - share) * (height - 2) + 1;
        };
        one.ticks = axisTicks(panel);
        for (const value of one.ticks) {
          const label = element("span", "", tickText(value));
          label.style.top = `${one.up(value / panel.factor)}px`;
          axis.append(label);
        }
      }
      const read = (mark, words, tell) => {
        const line = element("div"), term = element("dt"), value = element("dd");
        if (mark) term.append(mark, " ");
        term.append(words);
        if (words) line.append(term);
        line.append(value);
        reading.append(line);
        one.outputs.push({ value, tell });
      };
      for (const curve of curves) {
        const signal = signals[curve.column];
        const band = signal.low && curve.words === "learnt";
        const inner = band && signals[`${curve.column}_given_scale`];
        const told = (value) => written(value * panel.factor, panel.decimals);
        read(single ? null : swatch(curve), curve.words === "baseline" ? run.baseline : curve.words, (i) => {
          const value = valueAt(signal, i);
          if (Number.isNaN(value)) return "not known";
          const unit = panel.unit ? ` ${panel.unit}` : "";
          if (!band) return told(value) + unit;
          return `${told(value)}${unit} (${told(signal.low[i])} to ${told(signal.high[i])})`;
        });
        if (inner) {
          read(null, "given the scale", (i) => Number.isNaN(inner.low[i]) ? "not known"
            : `${told(inner.low[i])} to ${told(inner.high[i])}`);
        }
      }
      rows.forEach((row, k) => {
        const labels = { ground: "believed", true_ground: "truth" };
        const label = row.word ?? labels[row.name];
        if (label && (rows.length > 1)) {
          const text = element("span", "row", label);
          text.style.top = `${(k + 0.5) * ROW}px`;
          axis.append(text);
        }
      });
      for (const name of strips) {
        const labels = { ground: "believed", true_ground: "truth", aside: "now",
          protections: "now" };
        read(null, labels[name], () => wordsAt(run.strips[name], at) || "none");
      }
      panels.push(one);
    }
  };
  const wordsAt = (strip, seconds) => strip.spans
    .filter(([begin, end]) => begin <= seconds && (seconds < end || end >= run.end))
    .map((span) => strip.words[span[2]].replaceAll("_", " "))
    .filter((word, k, all) => all.indexOf(word) === k).join(", ");

  // ---- drawing ------------------------------------------------------------------------------
  const sized = (canvas, width, height) => {
    canvas.width = width;
    canvas.height = Math.round(height * ratio);
    const pen = canvas.getContext("2d");
    pen.setTransform(1, 0, 0, ratio, 0, 0);
    return pen;
  };
  const hatched = (pen, { colour, hatch }, lines = "rgba(255, 255, 255, .75)") => {
    const tile = document.createElement("canvas");
    const size = tile.width = tile.height = Math.round(8 * ratio);
    const ink = tile.getContext("2d");
    ink.fillStyle = colour;
    ink.fillRect(0, 0, size, size);
    ink.strokeStyle = ink.fillStyle = lines;
    ink.lineWidth = ratio;
    const line = (x1, y1, x2, y2) => {
      ink.beginPath(); ink.moveTo(x1, y1); ink.lineTo(x2, y2); ink.stroke();
    };
    if (/[/x]/.test(hatch)) line(0, size, size, 0);
    if (/[\\x]/.test(hatch)) line(0, 0, size, size);
    if (hatch.includes("+")) { line(size / 2, 0, size / 2, size); line(0, size / 2, size, size / 2); }
    if (hatch.includes(".")) ink.fillRect(size / 3, size / 3, 2 * ratio, 2 * ratio);
    return pen.createPattern(tile, "repeat");
  };
  const trace = (pen, panel, { first, second }, step, from, to) => {
    let down = false, before = 0;
    const on = (x, value) => {
      const y = panel.up(value);
      if (step) pen.lineTo(x, before);
      pen.lineTo(x, y);
      before = y;
    };
    for (let i = from; i <= to; i++) {
      if (Number.isNaN(first[i])) { down = false; continue; }
      const x = across(time[i]);
      if (!down || time[i] - time[i - 1] > gap) {
        before = panel.up(first[i]);
        pen.moveTo(x, before);
      } else on(x, first[i]);
      if (second && second[i] !== first[i]) on(across(between(i)), second[i]);
      down = true;
    }
    if (down && step && to === time.length - 1) pen.lineTo(across(run.end), before);
  };
  const between = (i) => 0.5 * (time[i] + (time[i + 1] ?? run.end));
  const valueAt = ({ first, second }, i) => second && at >= between(i) ? second[i] : first[i];
  const drawBand = (pen, panel, signal, from, to) => {
    for (let i = from; i <= to;) {
      while (i <= to && Number.isNaN(signal.low[i])) i++;
      let end = i;
      while (end + 1 <= to && !Number.isNaN(signal.low[end + 1])
        && time[end + 1] - time[end] <= gap) end++;
      if (i > to) return;
      pen.beginPath();
      for (let k = i; k <= end; k++) pen.lineTo(across(time[k]), panel.up(signal.high[k]));
      for (let k = end; k >= i; k--) pen.lineTo(across(time[k]), panel.up(signal.low[k]));
      pen.fill();
      i = end + 1;
    }
  };
  const drawWhole = (panel) => {
    const pen = sized(panel.whole, wide, panel.height);
    const from = Math.max(0, indexAt(left) - 1), to = Math.min(time.length - 1, indexAt(right) + 1);
    panel.rows.forEach((row, k) => {
      for (const [begin, end, number, strong] of row.strip.spans) {
        if (end < left || begin > right || (row.word !== null && number !== row.number)) continue;
        const x = across(begin), width = Math.max(across(end) - x, ratio);
        const word = row.strip.words[number];
        pen.fillStyle = data.grounds[word] && row.name.includes("ground")
          ? hatched(pen, data.grounds[word]) : colours.ink;
        pen.globalAlpha = strong ? 1 : 0.28;
        pen.fillRect(x, k * ROW + 1, width, ROW - 2);
      }
    });
    pen.globalAlpha = 1;
    if (panel.curves.some((one) => one.words === "learnt")) {
      for (const [begin, end] of run.strips.not_learnt?.spans ?? []) {
        pen.fillStyle = hatched(pen, { colour: "rgba(128, 128, 128, .18)", hatch: "/" },
          "rgba(128, 128, 128, .55)");
        pen.fillRect(across(begin), 0, across(end) - across(begin), panel.height);
      }
    }
    for (const curve of panel.curves) {
      const signal = signals[curve.column];
      const colour = colours[curve.colour];
      pen.strokeStyle = pen.fillStyle = colour;
      if (signal.low && curve.words === "learnt") {
        pen.globalAlpha = 0.25;
        drawBand(pen, panel, signal, from, to);
        const inner = signals[`${curve.column}_given_scale`];
        pen.globalAlpha = 0.35;
        if (inner?.low) drawBand(pen, panel, inner, from, to);
        pen.globalAlpha = 1;
      }
      if (panel.filled) {
        pen.globalAlpha = 0.18;
        pen.beginPath();
        trace(pen, panel, signal, false, from, to);
        pen.lineTo(across(time[to]), panel.height);
        pen.lineTo(across(time[from]), panel.height);
        pen.fill();
        pen.globalAlpha = 1;
      }
      pen.lineWidth = (curve.dash === "solid" ? 1.6 : 1.9) * ratio;
      pen.setLineDash(dashes[curve.dash].map((one) => one * ratio));
      pen.beginPath();
      trace(pen, panel, signal, curve.step, from, to);
      pen.stroke();
      pen.setLineDash([]);
    }
  };
  const timeStep = () => {
    const room = wide / ratio / 70;
    return [1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200]
      .find((one) => (right - left) / one <= room) ?? 14400;
  };
  const drawGrid = (panel) => {
    const pen = sized(panel.grid, wide, panel.height);
    pen.fillStyle = colours.grid;
    for (let t = Math.ceil(left / timeStep()) * timeStep(); t <= right; t += timeStep()) {
      pen.fillRect(Math.round(across(t)), 0, 1, panel.height);
    }
    for (const value of panel.ticks ?? []) {
      pen.fillRect(0, Math.round(panel.up(value / panel.factor)), wide, 1 / ratio);
    }
  };
  const signs = {
    ground: (pen, x) => { pen.moveTo(x - 5, 12); pen.lineTo(x + 5, 12); pen.lineTo(x, 3); },
    load: (pen, x) => { pen.moveTo(x - 5, 8); pen.lineTo(x, 2); pen.lineTo(x + 5, 8);
      pen.lineTo(x, 14); },
    climb: (pen, x) => pen.rect(x - 4, 4, 8, 8),
    protection: (pen, x) => pen.rect(x - 0.75, 3, 1.5, 10),
  };
  const drawMarks = () => {
    const width = rail.clientWidth, height = 16;
    marks.width = Math.round(width * ratio);
    marks.height = Math.round(height * ratio);
    const pen = marks.getContext("2d");
    pen.scale(ratio, ratio);
    const x = (seconds) => (seconds - run.start) / (run.end - run.start) * width;
    if (right - left < run.end - run.start - 1e-6) {
      pen.fillStyle = colours.grid;
      pen.fillRect(x(left), 0, x(right) - x(left), height);
    }
    for (const kind of ["protection", "climb", "load", "ground"]) {
      pen.fillStyle = kind === "protection" ? colours.quiet : colours.red;
      for (const event of run.events.filter((one) => one.kind === kind)) {
        pen.beginPath();
        signs[kind](pen, x(event.time_s));
        pen.closePath();
        pen.fill();
      }
    }
  };
  const drawAll = () => {
    ratio = Math.min(window.devicePixelRatio || 1, 2);
    wide = Math.max(50, Math.round(rail.clientWidth * ratio));
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "quiet", "grid", "head", "blue", "green", "orange", "red", "purple"]) {
      colours[name] = style.getPropertyValue(`--${name}`).trim();
    }
    for (const panel of panels) {
      drawGrid(panel);
      drawWhole(panel);
      sized(panel.front, wide, panel.height);
    }
    ticks.textContent = "";
    for (let t = Math.ceil(left / timeStep()) * timeStep(); t <= right + 1e-6; t += timeStep()) {
      const label = element("span", "", clockText(t));
      label.style.left = `${100 * (t - left) / (right - left)}%`;
      ticks.append(label);
    }
    drawMarks();
    painted = 0;
    paint();
  };

  // Up to the play-head, and nothing beyond it.
  const paint = () => {
    const head = clamp(Math.round(across(at)), 0, wide);
    const from = Math.max(0, Math.min(head, painted) - Math.ceil(3 * ratio));
    const to = Math.max(head, painted) + Math.ceil(3 * ratio);
    const line = Math.max(1, Math.round(1.5 * ratio));
    for (const panel of panels) {
      const pen = panel.front.getContext("2d"), tall = panel.front.height;
      pen.setTransform(1, 0, 0, 1, 0, 0);
      pen.clearRect(from, 0, to - from, tall);
      if (head > from) {
        pen.drawImage(panel.whole, from, 0, head - from, tall, from, 0, head - from, tall);
      }
      pen.fillStyle = colours.head;
      pen.fillRect(Math.min(head, wide - line), 0, line, tall);
    }
    painted = head;
  };
  const read = () => {
    const i = indexAt(at);
    for (const panel of panels) {
      for (const output of panel.outputs) {
        const text = output.tell(i);
        if (output.value.textContent !== text) output.value.textContent = text;
      }
    }
    const clock = `${clockText(at)} / ${clockText(run.end)}`;
    byId("clock").textContent = clock;
    scrub.setAttribute("aria-valuetext", `${clockText(at)} minutes`);
    byId("now").textContent = summary(i);
    if (Math.abs(at - toldAt) > (right - left) / 50) {
      byId("event").textContent = "";
      toldAt = NaN;
    }
    const reason = run.strips.reason;
    byId("reason").textContent = reason ? wordsAt(reason, at) : "";
  };
  const summary = (i) => {
    const parts = [];
    const tell = (column, factor, decimals, unit) => {
      const value = signals[column] ? valueAt(signals[column], i) : NaN;
      if (!Number.isNaN(value)) {
        parts.push(`${written(value * factor, decimals)} ${unit}`);
      }
    };
    tell("speed_m_s", 3.6, 0, "km/h");
    tell("grade_percent", 1, 1, "% grade");
    tell("mass_kg", 1e-3, 2, "t learnt");
    if (run.strips.ground) {
      const truth = run.strips.true_ground ? wordsAt(run.strips.true_ground, at) : "";
      parts.push(`on ${wordsAt(run.strips.ground, at)}${truth ? ` (truth: ${truth})` : ""}`);
    }
    tell("distance_m", 1e-3, 1, "km driven");
    return parts.join(" · ");
  };

  // ---- moving -------------------------------------------------------------------------------
  const turnPage = () => {
    const whole = run.end - run.start, length = Math.min(Number(shown.value) || whole, whole);
    const kept = Math.abs(right - left - length) < 1e-6;
    if (kept && at >= left - 1e-9 && at <= right + 1e-9) return false;
    const before = kept && at < left ? 0.95 : 0.05;
    left = clamp(at - before * length, run.start, run.end - length);
    right = left + length;
    return true;
  };
  const show = (seconds, reading = true) => {
    at = clamp(seconds, run.start, run.end);
    if (turnPage()) drawAll(); else paint();
    scrub.value = at - run.start;
    if (reading) read();
  };
  const pause = () => {
    last = null;
    play.textContent = "▶ Play";
    play.setAttribute("aria-pressed", "false");
    read();
  };
  const start = () => {
    if (at >= run.end - 1e-6) show(run.start);
    play.textContent = "❚❚ Pause";
    play.setAttribute("aria-pressed", "true");
    last = performance.now();
    requestAnimationFrame(frame);
  };
  const toggle = () => { if (last === null) start(); else pause(); };
  const frame = (now) => {
    if (last === null) return;
    const elapsed = Math.min(1.5, Math.max(0, now - last) / 1000);
    if (!calm.matches || elapsed >= 1) {
      last = now;
      const reading = now - lastRead >= READ_EVERY_MS;
      if (reading) lastRead = now;
      show(at + elapsed * Number(pace.value), reading);
      if (at >= run.end) { pause(); return; }
    }
    requestAnimationFrame(frame);
  };
  const chosen = () => run.events.filter((one) => !kinds.value || one.kind === kinds.value);
  const jump = (forward) => {
    const events = chosen();
    const found = forward ? events.find((one) => one.time_s > at + 0.05)
      : events.findLast((one) => one.time_s < at - 0.05);
    if (!found) { byId("event").textContent = `no ${forward ? "later" : "earlier"} event`; return; }
    show(found.time_s);
    toldAt = found.time_s;
    byId("event").textContent = `${clockText(found.time_s)} ${found.words}`;
  };
  const choose = (number) => {
    const old = run && signals.distance_m ? signals.distance_m.first[indexAt(at)] : null;
    const simulatedBefore = run?.simulated;
    const atEnd = !run || at >= run.end - 1e-6;
    run = data.runs[number];
    ({ time, signals } = open(run));
    gap = Math.max(GAP_S, GAP_SAMPLES * (run.end - run.start) / time.length);
    let there = run.end;
    if (!atEnd) {
      there = clamp(at, run.start, run.end);
      if (simulatedBefore && run.simulated && old !== null && signals.distance_m) {
        // The same road: stay at the same place of it.
        const k = signals.distance_m.first.findIndex((one) => one >= old);
        there = k < 0 ? run.end : time[k];
      }
    }
    scrub.max = run.end - run.start;
    const names = { ground: "▲ changes of ground", load: "◆ changes of load",
      protection: "❘ protections", climb: "■ climbs" };
    const present = Object.keys(names).filter((kind) => run.events.some((e) => e.kind === kind));
    const before = kinds.value;
    kinds.replaceChildren(new Option("all events", ""),
      ...present.map((kind) => new Option(names[kind], kind)));
    kinds.value = present.includes(before) ? before : "";
    byId("replay-notes").textContent = [run.what && `${run.what[0].toUpperCase()}${run.what.slice(1)}.`,
      ...run.notes, run.binned ? "Of what is too dense to be held in a page a curve keeps every least and greatest value." : ""]
      .filter(Boolean).join(" ");
    const list = byId("events");
    list.textContent = "";
    for (const event of run.events) {
      const row = element("tr"), cell = element("td"), go = element("button", "", clockText(event.time_s));
      go.type = "button";
      go.setAttribute("aria-label", `Go to ${clockText(event.time_s)}: ${event.words}`);
      go.addEventListener("click", () => show(event.time_s));
      cell.append(go);
      row.append(cell, element("td", "", event.words));
      list.append(row);
    }
    byId("event-count").textContent = run.events.length;
    byId("event").textContent = "";
    left = right = NaN;
    build();
    at = there;
    show(there);
  };

  // ---- what people do -----------------------------------------------------------------------
  play.addEventListener("click", toggle);
  byId("next").addEventListener("click", () => jump(true));
  byId("previous").addEventListener("click", () => jump(false));
  scrub.addEventListener("input", () => show(run.start + Number(scrub.value)));
  shown.addEventListener("change", () => show(at));
  which.addEventListener("change", () => choose(Number(which.value)));
  place.addEventListener("change", () => {
    const found = /^\s*(\d+)(?::(\d{1,2}(?:\.\d+)?))?\s*$/.exec(place.value);
    place.setCustomValidity(found ? "" : "Minutes and seconds, such as 12:30");
    if (found) show(Number(found[1]) * 60 + Number(found[2] ?? 0)); else place.reportValidity();
  });
  place.addEventListener("input", () => place.setCustomValidity(""));
  document.addEventListener("keydown", (event) => {
    const on = event.target;
    if (event.altKey || event.ctrlKey || event.metaKey || event.defaultPrevented) return;
    if (on.isContentEditable || on.matches?.("textarea, select, input:not([type=range])")) return;
    const small = (right - left) / (event.shiftKey ? 1000 : 100);
    const act = {
      " ": () => toggle(), ArrowRight: () => show(at + small), ArrowLeft: () => show(at - small),
      n: () => jump(true), p: () => jump(false),
    }[event.key];
    // A button takes the space bar itself.
    if (!act || (event.key === " " && on.closest?.("button, a, summary"))) return;
    event.preventDefault();
    act();
  });
  // What was chosen with a pointer gives the keys back; who goes by keys keeps the place.
  let pointing = false;
  bar.addEventListener("pointerdown", () => { pointing = true; });
  bar.addEventListener("keydown", () => { pointing = false; });
  for (const name of ["click", "change"]) {
    bar.addEventListener(name, (event) => {
      const on = event.target.closest(name === "click" ? "button" : "select");
      if (pointing && on) on.blur();
    });
  }
  const pointed = (event) => {
    const box = rail.getBoundingClientRect();
    show(left + (event.clientX - box.left) / box.width * (right - left));
  };
  holder.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.tagName !== "CANVAS") return;
    event.target.setPointerCapture(event.pointerId);
    pointed(event);
  });
  holder.addEventListener("pointermove", (event) => {
    if (event.target.hasPointerCapture?.(event.pointerId)) pointed(event);
  });

  data.runs.forEach((one, k) => which.append(new Option(one.name, k)));
  byId("more").open = matchMedia("(min-width: 64.01rem)").matches;
  byId("which-label").hidden = data.runs.length < 2;
  const longest = data.runs[0].end - data.runs[0].start;
  for (const option of [...shown.options]) {
    if (Number(option.value) >= longest) option.remove();
  }
  // The whole drive in about a minute, unless somebody wants it otherwise.
  const paces = [...pace.options].map((one) => Number(one.value));
  pace.value = paces.find((one) => longest / one <= 60) ?? paces[paces.length - 1];
  choose(0);
  dark.addEventListener("change", drawAll);
  let known = rail.clientWidth;
  new ResizeObserver(() => {
    if (rail.clientWidth === known) return;
    known = rail.clientWidth;
    drawAll();
  }).observe(rail);
  window.replay = { show, jump, at: () => at, run: () => run };
  document.body.dataset.ready = "yes";
})();
