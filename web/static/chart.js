// The moving graph over the still one. Where anything fails the still picture stays.
"use strict";

(() => {
  const box = document.querySelector(".chart");
  const readout = document.querySelector(".readout");
  if (!box || !window.Bokeh || !Bokeh.Plotting) return;
  const HOUR_MS = 3_600_000;
  const DAY_MS = 24 * HOUR_MS;
  const LEAST_SG = 0.004; // as on the still picture: less would make noise look like motion
  const LEAST_C = 4;
  const STEPS_H = [0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 72, 96, 168, 336, 672, 1344]; // of the times below the graph
  const fahrenheit = box.dataset.fahrenheit === "yes";
  const unit = fahrenheit ? "°F" : "°C";
  const clock = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
  // Of times that were shifted already.
  const dayOf = new Intl.DateTimeFormat(undefined, { day: "numeric", month: "short", timeZone: "UTC" });
  const hourOf = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: "UTC" });
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const finger = matchMedia("(pointer: coarse)").matches;
  let drawn = null;

  const toScreen = (celsius) => (fahrenheit ? celsius * 1.8 + 32 : celsius);
  // The library labels its time axis in UTC; shifting each time by its own offset makes that local time.
  const shift = (iso) => { const time = new Date(iso); return time.getTime() - time.getTimezoneOffset() * 60_000; };
  // A local time read as UTC has the offset of that instant; near enough, but for an hour when the clocks change.
  const unshifted = (local) => new Date(local + new Date(local).getTimezoneOffset() * 60_000);
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  // In the middle of each gap stands a row without values: there the lines break.
  function columns(graph) {
    const data = { iso: [], time: [], gravity: [], low: [], high: [], warmth: [] };
    const add = (iso, gravity, low, high, warmth) => {
      data.iso.push(iso);
      data.time.push(shift(iso));
      data.gravity.push(gravity);
      data.low.push(low);
      data.high.push(high);
      data.warmth.push(warmth);
    };
    let gap = 0;
    graph.time.forEach((iso, row) => {
      const time = new Date(iso);
      while (gap < graph.gaps.length && new Date(graph.gaps[gap].end) <= time) {
        const middle = (new Date(graph.gaps[gap].start).getTime() + new Date(graph.gaps[gap].end).getTime()) / 2;
        add(new Date(middle).toISOString(), NaN, NaN, NaN, NaN);
        gap += 1;
      }
      add(iso, graph.gravity_sg[row], graph.gravity_low_sg[row], graph.gravity_high_sg[row], toScreen(graph.temperature_c[row]));
    });
    return data;
  }

  function probeColumns(graph) {
    const data = { time: [], warmth: [] };
    let gap = 0;
    graph.probe_time.forEach((iso, row) => {
      while (gap < graph.probe_gaps.length && new Date(graph.probe_gaps[gap].end) <= new Date(iso)) {
        data.time.push((shift(graph.probe_gaps[gap].start) + shift(graph.probe_gaps[gap].end)) / 2);
        data.warmth.push(NaN);
        gap += 1;
      }
      data.time.push(shift(iso));
      data.warmth.push(toScreen(graph.probe_temperature_c[row]));
    });
    return data;
  }

  const lastTime = (...columns) => Math.max(...columns.map((column) => column.at(-1) ?? -Infinity));

  // The interval as one outline for each stretch between gaps.
  function bandColumns(data) {
    const stretches = [[]];
    data.gravity.forEach((gravity, row) => {
      if (Number.isNaN(gravity)) stretches.push([]); else stretches[stretches.length - 1].push(row);
    });
    const filled = stretches.filter((rows) => rows.length > 0);
    const there = (rows, column) => rows.map((row) => column[row]);
    const back = (rows, column) => there(rows, column).reverse();
    return {
      xs: filled.map((rows) => [...there(rows, data.time), ...back(rows, data.time)]),
      ys: filled.map((rows) => [...there(rows, data.high), ...back(rows, data.low)]),
    };
  }

  // A line needs two ends: a reading alone between gaps, or the very first one, is a dot.
  function loneColumns(data) {
    const there = (row) => Number.isFinite(data.gravity[row] ?? NaN);
    const rows = [...data.time.keys()].filter((row) => there(row) && !there(row - 1) && !there(row + 1));
    const lone = { time: [], gravity: [], warmth: [] };
    for (const row of rows) for (const name of Object.keys(lone)) lone[name].push(data[name][row]);
    return lone;
  }

  function sampleColumns(graph) {
    return {
      time: graph.samples.map((sample) => shift(sample.time)),
      gravity: graph.samples.map((sample) => sample.gravity_sg),
    };
  }

  const additionColumns = (graph) => ({ time: graph.additions.map((each) => shift(each.time)) });

  function wantedColumns(graph) {
    return {
      left: graph.wanted.map((range) => shift(range.start)),
      right: graph.wanted.map((range) => shift(range.end)),
      bottom: graph.wanted.map((range) => toScreen(range.temperature_c[0])),
      top: graph.wanted.map((range) => toScreen(range.temperature_c[1])),
    };
  }

  function figure(x_range, height, name) {
    const y_range = new Bokeh.Range1d();
    const fig = Bokeh.Plotting.figure({ x_axis_type: "datetime", x_range, y_range, height, sizing_mode: "stretch_width", tools: [] });
    fig.background_fill_color = null;
    fig.border_fill_color = null;
    fig.outline_line_color = null;
    fig.toolbar_location = null;
    fig.min_border_right = 26; // half a date, at the very edge
    fig.min_border_left = 80; // one time must stand under the other
    for (const axis of [fig.xaxis, fig.yaxis]) {
      axis.axis_line_color = colour("grid");
      axis.major_tick_line_color = colour("grid");
      axis.minor_tick_line_color = null;
      axis.major_label_text_color = colour("ink");
      axis.major_label_text_font_size = "13px";
      axis.axis_label_text_color = colour("ink");
      axis.axis_label_text_font_size = "13px";
      axis.axis_label_text_font_style = "bold";
    }
    fig.xgrid.grid_line_color = colour("grid");
    fig.ygrid.grid_line_color = colour("grid");
    fig.yaxis.axis_label = name;
    // A finger on the graph scrolls the page; the buttons move it in time.
    if (!finger) {
      const pan = new Bokeh.PanTool({ dimensions: "width" });
      fig.add_tools(pan);
      fig.toolbar.active_drag = pan;
    }
    for (const event of ["tap", "press", "mousemove"]) fig.on_event(event, ({ x }) => say(x));
    return fig;
  }

  function build(graph) {
    const data = columns(graph);
    const source = new Bokeh.ColumnDataSource({ data });
    const band = new Bokeh.ColumnDataSource({ data: bandColumns(data) });
    const samples = new Bokeh.ColumnDataSource({ data: sampleColumns(graph) });
    const additions = new Bokeh.ColumnDataSource({ data: additionColumns(graph) });
    const wanted = new Bokeh.ColumnDataSource({ data: wantedColumns(graph) });
    const probe = new Bokeh.ColumnDataSource({ data: probeColumns(graph) });
    const lone = new Bokeh.ColumnDataSource({ data: loneColumns(data) });
    const first = data.time[0];
    const last = Math.max(lastTime(data.time, probe.data.time), first + HOUR_MS);
    const x_range = new Bokeh.Range1d({ start: first, end: last, bounds: [first, last], min_interval: HOUR_MS / 2 });

    const top = figure(x_range, finger ? 290 : 340, "Gravity, SG 20/20 °C");
    top.xaxis.major_label_text_font_size = "0px"; // the times stand once, below
    top.xaxis.formatter = new Bokeh.BasicTickFormatter();
    top.yaxis.formatter = new Bokeh.NumeralTickFormatter({ format: "0.000[0]" });
    const time = { field: "time" };
    top.patches({ field: "xs" }, { field: "ys" }, {
      source: band, fill_color: colour("gravity"), fill_alpha: 0.25, line_color: null,
    });
    top.line(time, { field: "gravity" }, { source, line_color: colour("gravity"), line_width: 2 });
    top.vspan(time, { source: additions, line_color: colour("sample"), line_width: 2, line_dash: "dotted" });
    top.scatter(time, { field: "gravity" }, {
      source: samples, marker: "diamond", size: 16, fill_color: colour("sample"), line_color: colour("sheet"),
      level: "annotation", // which is not cut off at the edge of the frame, where the newest one lies
    });
    top.scatter(time, { field: "gravity" }, { source: lone, size: 10, color: colour("gravity") });

    const low = figure(x_range, finger ? 190 : 200, `Temperature, ${unit}`);
    low.quad({ field: "left" }, { field: "right" }, { field: "bottom" }, { field: "top" }, {
      source: wanted, fill_color: colour("wanted").slice(0, 7), fill_alpha: 0.2, line_color: null,
    });
    low.line(time, { field: "warmth" }, { source: probe, line_color: colour("probe"), line_width: 2 });
    low.line(time, { field: "warmth" }, { source, line_color: colour("warmth"), line_width: 2, line_dash: [6, 3] });
    low.scatter(time, { field: "warmth" }, { source: lone, size: 10, color: colour("warmth") });
    const column = new Bokeh.Column({ children: [top, low], sizing_mode: "stretch_width" });
    const timed = [top.xaxis, top.xgrid, low.xaxis, low.xgrid];
    const parts = { column, source, band, samples, additions, wanted, probe, lone, x_range, timed, dense: top.y_range, warm: low.y_range };
    const follow = () => { fit(parts); mark(parts); };
    follow();
    x_range.change.connect(follow);
    return parts;
  }

  // The library's own choice leaves some courses on a phone with one time, which it then gives as the year alone.
  function mark({ x_range, timed }) {
    const { start, end } = x_range;
    const about = box.clientWidth < 500 ? 4 : 9;
    const step = HOUR_MS * (STEPS_H.find((hours) => (end - start) / HOUR_MS / hours <= about) ?? STEPS_H.at(-1));
    const midnight = Math.floor(start / DAY_MS) * DAY_MS;
    const ticks = [];
    for (let time = midnight + Math.ceil((start - midnight) / step) * step; time <= end; time += step) ticks.push(time);
    const labels = new Map(ticks.map((time) => [time, (time % DAY_MS ? hourOf : dayOf).format(time)]));
    const ticker = new Bokeh.FixedTicker({ ticks, minor_ticks: [] });
    for (const each of timed) each.ticker = ticker;
    for (const axis of [timed[0], timed[2]]) axis.major_label_overrides = labels;
  }

  // Both scales follow the time shown, or a day of a beer nearly done would be a level line on the scale of the whole course.
  function fit({ source, samples, wanted, probe, x_range, dense, warm }) {
    const shown = ({ data }, ...names) => names.flatMap((name) =>
      [...data[name]].filter((_, row) => data.time[row] >= x_range.start && data.time[row] <= x_range.end));
    const ranges = wanted.data;
    const limits = ["bottom", "top"].flatMap((name) =>
      [...ranges[name]].filter((_, row) => ranges.right[row] >= x_range.start && ranges.left[row] <= x_range.end));
    scale(dense, [...shown(source, "low", "high"), ...shown(samples, "gravity")], LEAST_SG, 0.54);
    const warmth = [...shown(source, "warmth"), ...shown(probe, "warmth")];
    // Wider, so that both limits of the wanted range are to be seen.
    scale(warm, [...warmth, ...limits], fahrenheit ? 1.8 * LEAST_C : LEAST_C, 0.65);
  }

  function scale(range, values, least, share) {
    const seen = values.filter(Number.isFinite);
    if (seen.length === 0) return;
    const lowest = seen.reduce((one, other) => Math.min(one, other));
    const highest = seen.reduce((one, other) => Math.max(one, other));
    const half = Math.max((highest - lowest) * share, least / 2);
    range.setv({ start: (lowest + highest) / 2 - half, end: (lowest + highest) / 2 + half });
  }

  // The library shows no value on a tap; this line does, for finger and pointer alike.
  function say(shifted) {
    if (!drawn || !Number.isFinite(shifted)) return;
    const data = drawn.source.data;
    const row = nearest(data.time, shifted);
    const warmth = probeAt(Math.max(shifted, data.time[0]));
    // The probe goes on where the float is silent.
    if (Number.isNaN(data.gravity[row]) || shifted > data.time[row] + 2 * HOUR_MS) {
      readout.textContent = `${clock.format(unshifted(shifted))}: no readings of the float${warmth && `;${warmth}`}.`;
      return;
    }
    readout.textContent = `${clock.format(new Date(data.iso[row]))}: gravity ${data.gravity[row].toFixed(4)}, ` +
      `80 % interval ${data.low[row].toFixed(4)} to ${data.high[row].toFixed(4)}, ` +
      `${data.warmth[row].toFixed(1)} ${unit}${warmth && `,${warmth}`}.`;
  }

  function nearest(times, shifted) {
    let below = 0;
    let above = times.length - 1;
    while (above - below > 1) {
      const middle = (below + above) >> 1;
      if (times[middle] <= shifted) below = middle; else above = middle;
    }
    return shifted - times[below] < times[above] - shifted ? below : above;
  }

  // Empty where the vessel has no probe, or its probe was silent then.
  function probeAt(shifted) {
    const { time, warmth } = drawn.probe.data;
    if (time.length === 0 || shifted < time[0] - 2 * HOUR_MS || shifted > time.at(-1) + 2 * HOUR_MS) return "";
    const value = warmth[nearest(time, shifted)];
    return Number.isNaN(value) ? "" : ` probe ${value.toFixed(1)} ${unit}`;
  }

  async function load() {
    const answer = await fetch(box.dataset.graph);
    const graph = answer.ok ? await answer.json() : null;
    return graph && graph.time.length > 0 ? graph : null;
  }

  async function draw() {
    const graph = await load();
    if (!graph) return;
    const parts = build(graph);
    const place = document.createElement("div");
    place.setAttribute("role", "group");
    place.setAttribute("aria-label", "Graph; the table under Numbers says the same");
    box.append(place);
    box.classList.add("drawn");
    if (drawn) drawn.place.remove();
    try {
      await Bokeh.Plotting.show(parts.column, place);
    } catch (error) {
      box.classList.remove("drawn");
      place.remove();
      throw error;
    }
    leaveTabOrder(place);
    drawn = { ...parts, place };
    readout.hidden = false;
    say(parts.x_range.end);
    if (!spans.isConnected) box.before(spans);
  }

  // The library takes the keyboard's focus, unseen and unnamed, where no key does anything; the table says the same.
  function leaveTabOrder(root) {
    for (const part of root.querySelectorAll("*")) {
      if (part.tabIndex >= 0) part.tabIndex = -1;
      if (part.shadowRoot) leaveTabOrder(part.shadowRoot);
    }
  }

  // New numbers go into the graph as it stands, so that what a person is looking at stays in view.
  async function update() {
    const graph = drawn && await load();
    if (!graph) return;
    const { x_range } = drawn;
    const [, end] = x_range.bounds;
    drawn.source.data = columns(graph);
    drawn.band.data = bandColumns(drawn.source.data);
    drawn.samples.data = sampleColumns(graph);
    drawn.additions.data = additionColumns(graph);
    drawn.wanted.data = wantedColumns(graph);
    drawn.probe.data = probeColumns(graph);
    drawn.lone.data = loneColumns(drawn.source.data);
    const { time } = drawn.source.data;
    const last = Math.max(lastTime(time, drawn.probe.data.time), end);
    x_range.bounds = [time[0], last];
    if (x_range.end >= end) x_range.end = last;
    fit(drawn);
  }

  function show(hours) {
    const [first, last] = drawn.x_range.bounds;
    drawn.x_range.setv({ start: hours ? Math.max(first, last - hours * HOUR_MS) : first, end: last });
    for (const button of spans.children) {
      button.setAttribute("aria-pressed", String(button.dataset.hours === String(hours)));
    }
  }

  const spans = document.createElement("div");
  spans.className = "spans";
  spans.setAttribute("role", "group");
  spans.setAttribute("aria-label", "Time shown on the graph");
  for (const [name, hours] of [["All", 0], ["7 days", 168], ["24 hours", 24]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.dataset.hours = hours;
    button.setAttribute("aria-pressed", String(hours === 0));
    button.addEventListener("click", () => drawn && show(hours));
    spans.append(button);
  }

  const start = () => draw().catch((error) => console.warn("the still picture stays:", error));
  dark.addEventListener("change", start);
  document.addEventListener("fresh", () => update().catch(() => undefined)); // the next minute tries again
  start();
})();
