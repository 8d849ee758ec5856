// Replays the drive: one index into the samples moves the mark on the road, the readings and the
// line in every plot. Starts only when asked; with reduced motion it moves once a second.
(() => {
  "use strict";
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const drive = read("drive-data");
  const svgSpace = "http://www.w3.org/2000/svg";
  const road = document.getElementById("road");
  const play = document.getElementById("play");
  const pace = document.getElementById("pace");
  const scrub = document.getElementById("scrub");
  const readout = document.getElementById("readout");
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  const width = 800, height = 180, sky = 24, strip = 12;
  let cursors = [];
  let at = 0;         // seconds of the drive
  let last = null;    // time stamp of the last frame (ms), null while paused

  const draw = (name, attributes) => {
    const shape = document.createElementNS(svgSpace, name);
    for (const [key, value] of Object.entries(attributes)) shape.setAttribute(key, value);
    return road.appendChild(shape);
  };
  const span = (values) => {
    const known = values.filter((value) => value !== null);
    let low = Math.min(...known), high = Math.max(...known);
    if (!(high - low > 1e-9)) high = low + 1;
    return [low, high];
  };
  const [near, far] = span(drive.distance);
  const [bottom, top] = span(drive.height);
  const across = (i) => ((drive.distance[i] ?? near) - near) / (far - near) * width;
  const up = (i) => {
    const share = ((drive.height[i] ?? bottom) - bottom) / (top - bottom);
    return height - strip - 8 - share * (height - strip - 8 - sky);
  };

  // Road: the ground's colour below, the height profile above it.
  for (let start = 0; start < drive.ground.length;) {
    let end = start;
    while (end + 1 < drive.ground.length && drive.ground[end + 1] === drive.ground[start]) end++;
    const left = across(start), right = across(Math.min(end + 1, drive.ground.length - 1));
    draw("rect", { x: left, y: height - strip, width: Math.max(0, right - left), height: strip,
      fill: drive.colours[drive.ground[start]] });
    start = end + 1;
  }
  const points = drive.time.map((_, i) => `${across(i).toFixed(1)},${up(i).toFixed(1)}`).join(" ");
  draw("polyline", { points, fill: "none", stroke: "#333", "stroke-width": 1.5,
    "vector-effect": "non-scaling-stroke" });
  const mark = draw("line", { y1: 4, y2: height, stroke: "#D55E00", "stroke-width": 3,
    "vector-effect": "non-scaling-stroke" });
  const names = { altitude: "Height from the log's altitude", grade: "Height from the road's grade",
    none: "Neither altitude nor grade is in the log; the road is drawn flat" };
  const note = document.getElementById("road-note");
  note.textContent = `${names[drive.heightFrom]}: ${bottom.toFixed(0)} to ${top.toFixed(0)} m over ` +
    `${(far - near).toFixed(1)} km. Ground: `;
  for (const [ground, colour] of Object.entries(drive.colours)) {
    const patch = document.createElement("span");
    patch.style.cssText = "display:inline-block;width:.8em;height:.8em;border:1px solid #777;margin:0 .25em 0 .6em";
    patch.style.background = colour;
    note.append(patch, ground.replaceAll("_", " "));
  }

  // Readings: one term and one value each.
  const reading = (label) => {
    const box = document.createElement("div");
    const term = document.createElement("dt"), value = document.createElement("dd");
    term.textContent = label;
    box.append(term, value);
    readout.append(box);
    return value;
  };
  const clock = reading("time");
  const values = drive.readouts.map((one) => reading(one.label));
  const ground = drive.ground.length ? reading("ground") : null;
  const aside = drive.aside.length ? reading("sample set aside") : null;
  const reason = drive.reason.length ? reading("why these settings") : null;

  const clockText = (seconds) =>
    `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

  const show = (i) => {
    mark.setAttribute("x1", across(i));
    mark.setAttribute("x2", across(i));
    clock.textContent = clockText(drive.time[i]);
    drive.readouts.forEach((one, k) => {
      const value = one.values[i];
      values[k].textContent = value === null ? "–" : `${value.toFixed(one.decimals)} ${one.unit}`;
    });
    if (ground) ground.textContent = drive.ground[i].replaceAll("_", " ");
    if (aside) aside.textContent = drive.aside[i] || "no";
    if (reason) reason.textContent = drive.reason[i];
    for (const cursor of cursors) cursor.location = drive.time[i] / 60;
    scrub.setAttribute("aria-valuetext", clockText(drive.time[i]));
  };

  const indexAt = (seconds) => {
    let low = 0, high = drive.time.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (drive.time[middle] <= seconds) low = middle; else high = middle - 1;
    }
    return low;
  };
  const end = drive.time[drive.time.length - 1];

  const pause = () => {
    last = null;
    play.textContent = "Play";
    play.setAttribute("aria-pressed", "false");
  };
  const frame = (now) => {
    if (last === null) return;
    const elapsed = (now - last) / 1000;
    if (!calm.matches || elapsed >= 1) {
      last = now;
      at = Math.min(end, at + elapsed * Number(pace.value));
      const i = indexAt(at);
      if (i !== Number(scrub.value)) { scrub.value = i; show(i); }
      if (at >= end) { pause(); return; }
    }
    requestAnimationFrame(frame);
  };
  play.addEventListener("click", () => {
    if (last !== null) { pause(); return; }
    if (at >= end) at = drive.time[0];
    play.textContent = "Pause";
    play.setAttribute("aria-pressed", "true");
    last = performance.now();
    requestAnimationFrame(frame);
  });
  scrub.addEventListener("input", () => {
    const i = Number(scrub.value);
    at = drive.time[i];
    show(i);
  });

  at = drive.time[0];
  show(0);
  Bokeh.set_log_level("warn");
  Bokeh.embed.embed_item(read("plot-data"), "plots").then(() => {
    const plotted = Bokeh.documents[Bokeh.documents.length - 1];
    const models = [...plotted._all_models.values()];
    cursors = models.filter((model) => model.name === drive.cursor);
    if (window.matchMedia("(pointer: coarse)").matches) {
      // A finger on a plot scrolls the page; zooming is in the tool bar.
      for (const model of models) if (model.type === "BoxZoomTool") model.active = false;
    }
    document.body.dataset.ready = "yes";
    show(Number(scrub.value));
  });
})();
