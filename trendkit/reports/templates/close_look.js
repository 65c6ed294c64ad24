(function () {
  "use strict";
  // Looking closer at what is drawn over time. Every drawing stands by itself without this script; the script reads
  // the numbers beside each one and adds a reading line, a chosen range, and the same range in all other drawings.
  // Seconds count on the drawn axis: plant time on a UTC scale, so the viewer's own zone moves nothing.

  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const HOUR = 3600, DAY = 24 * HOUR;
  const STEPS = [60, 300, 600, 900, 1800, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY, 28 * DAY];
  const drawings = [];
  const bars = [];
  let chosen = null; // [from, to] in drawn seconds, null for the whole period
  let anchor = null; // where a drag began: {drawing, at}

  function two(number) { return String(number).padStart(2, "0"); }

  function sameDay(one, other) { return Math.floor(one / DAY) === Math.floor(other / DAY); }

  function clockText(drawing, at, withDay) {
    let ahead = 0, letters = "";
    drawing.clocks.forEach(function ([since, seconds, zone]) {
      if (at >= since) ahead = seconds;
      if (at >= since && drawing.clocks.some(function ([change], other) { return other > 0 && sameDay(change, at); })) letters = zone;
    });
    const wall = new Date((at + ahead) * 1000);
    const time = two(wall.getUTCHours()) + ":" + two(wall.getUTCMinutes()) + (letters ? " " + letters : "");
    return withDay ? wall.getUTCDate() + " " + MONTHS[wall.getUTCMonth()] + " " + time : time;
  }

  function amount(value, unit) {
    const size = Math.abs(value);
    const decimals = size >= 99.95 || size === 0 ? 0 : size >= 9.995 ? 1 : 2;
    const [whole, part] = value.toFixed(decimals).replace("-", "\u2212").split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+(?!\d))/g, ",");
    return grouped + (part ? "." + part : "") + (unit ? "\u00a0" + unit : "");
  }

  // --- drawing ------------------------------------------------------------------------------------------------

  function add(parent, name, attributes, text) {
    const element = document.createElementNS(parent.namespaceURI, name);
    for (const key in attributes) element.setAttribute(key, attributes[key]);
    if (text !== undefined) element.textContent = text;
    parent.appendChild(element);
    return element;
  }

  function range(drawing) { return chosen || [drawing.from, drawing.to]; }

  function xOf(drawing, plot, at) {
    const [from, to] = range(drawing);
    return plot.left + (at - from) / (to - from) * plot.width;
  }

  function yOf(plot, value) {
    return plot.top + plot.height * (1 - (value - plot.ends[0]) / (plot.ends[1] - plot.ends[0]));
  }

  function path(drawing, plot, flat, width, offset) {
    let text = "";
    for (let i = 0; i < flat.length; i += width) {
      const x = xOf(drawing, plot, drawing.from + flat[i]), y = yOf(plot, flat[i + offset]);
      text += (text ? "L" : "") + x.toFixed(1) + "," + y.toFixed(1);
    }
    return text;
  }

  function backwards(flat) {
    const turned = [];
    for (let i = flat.length - 3; i >= 0; i -= 3) turned.push(flat[i], flat[i + 1], flat[i + 2]);
    return turned;
  }

  function valueTicks(plot) {
    const rough = (plot.ends[1] - plot.ends[0]) / (plot.height > 80 ? 6 : 3.5);
    const power = Math.pow(10, Math.floor(Math.log10(rough)));
    const step = [1, 2, 5, 10].map(function (n) { return n * power; }).find(function (s) { return s >= rough; });
    const ticks = [];
    for (let v = Math.ceil(plot.ends[0] / step) * step; v <= plot.ends[1]; v += step) ticks.push(v);
    return [ticks, Math.max(0, -Math.floor(Math.log10(step)))];
  }

  function drawAxes(drawing, plot, group) {
    const [from, to] = range(drawing);
    const bottom = plot.top + plot.height;
    const step = STEPS.find(function (s) { return (to - from) / s <= 12; }) || STEPS[STEPS.length - 1];
    for (let at = Math.ceil(from / step) * step; at <= to; at += step) {
      const x = xOf(drawing, plot, at), day = new Date(at * 1000);
      add(group, "line", { class: "grid", x1: x, x2: x, y1: plot.top, y2: bottom });
      if (!plot.isLast) continue;
      const isMidnight = at % DAY === 0;
      const label = isMidnight ? day.getUTCDate() + " " + MONTHS[day.getUTCMonth()] : two(day.getUTCHours()) + ":" + two(day.getUTCMinutes());
      add(group, "text", { class: isMidnight ? "tick day" : "tick", x: x, y: bottom + 16, "text-anchor": "middle" }, label);
    }
    add(group, "line", { class: "axis", x1: plot.left, x2: plot.left + plot.width, y1: bottom, y2: bottom });
    if (plot.isLast) add(group, "text", { class: "tick zone", x: plot.left, y: bottom + 30 }, drawing.zone);
    if (plot.rows) return;
    const [ticks, decimals] = valueTicks(plot);
    for (const value of ticks) {
      const y = yOf(plot, value);
      add(group, "line", { class: "grid", x1: plot.left, x2: plot.left + plot.width, y1: y, y2: y });
      const label = amount(Number(value.toFixed(decimals)), "").replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
      add(group, "text", { class: "tick", x: plot.left - 4, y: y + 4, "text-anchor": "end" }, label);
    }
    if (drawing.plots.length === 1 && plot.unit)
      add(group, "text", { class: "name", x: plot.left - 4, y: plot.top - 7, "text-anchor": "end" }, plot.unit);
    if (drawing.plots.length > 1) add(group, "text", { class: "name", x: plot.left, y: plot.top - 8 }, plot.name);
  }

  function box(drawing, plot, group, name, from, to, top, height) {
    const a = xOf(drawing, plot, drawing.from + from), b = xOf(drawing, plot, drawing.from + to);
    add(group, "rect", { class: name, x: a, width: Math.max(b - a, 0.8), y: top, height: height });
  }

  function drawRows(drawing, plot, group) {
    const step = plot.height / (plot.rows.length + 0.4); // as the static drawing spaces its rows
    plot.rows.forEach(function (row, number) {
      const top = plot.top + step * (0.5 + number);
      for (const [from, to] of row.there) box(drawing, plot, group, "there", from, to, top, 0.4 * step);
      for (const [from, to] of row.faults) box(drawing, plot, group, "fault", from, to, top, 0.4 * step);
      add(group, "text", { class: "name", x: plot.left + 1, y: top - 3 }, row.label);
    });
  }

  function drawPlot(drawing, plot, number) {
    const group = add(drawing.closer, "g", {});
    const id = drawing.id + "-closer-" + number;
    add(add(group, "clipPath", { id: id }), "rect", { x: plot.left, y: plot.top, width: plot.width, height: plot.height });
    drawAxes(drawing, plot, group);
    const inside = add(group, "g", { "clip-path": "url(#" + id + ")" });
    if (plot.rows) return drawRows(drawing, plot, inside);
    if (plot.usual) add(inside, "rect", { class: "usual", x: plot.left, width: plot.width, y: yOf(plot, plot.usual[1]), height: yOf(plot, plot.usual[0]) - yOf(plot, plot.usual[1]) });
    for (const [from, to] of plot.out || []) box(drawing, plot, inside, "out", from, to, plot.top, plot.height);
    for (const [, from, to] of plot.spans || []) box(drawing, plot, inside, "upset", from, to, plot.top, plot.height);
    for (const flat of plot.bands || []) add(inside, "path", { class: "band", d: "M" + path(drawing, plot, flat, 3, 1) + "L" + path(drawing, plot, backwards(flat), 3, 2) + "Z" });
    let free = plot.top;
    for (const [value, words] of (plot.limits || []).slice().sort(function (a, b) { return b[0] - a[0]; })) {
      const labelled = Math.max(yOf(plot, value) + 4, free);
      free = labelled + 12;
      add(inside, "line", { class: "target", x1: plot.left, x2: plot.left + plot.width, y1: yOf(plot, value), y2: yOf(plot, value) });
      add(group, "text", { class: "name", x: plot.left + plot.width + 6, y: labelled }, words);
    }
    for (const flat of plot.lines || []) add(inside, "path", { class: "line", d: "M" + path(drawing, plot, flat, 2, 1) });
    for (const at of plot.rules || []) {
      const x = xOf(drawing, plot, drawing.from + at);
      add(inside, "line", { class: "rule", x1: x, x2: x, y1: plot.top, y2: plot.top + plot.height });
    }
    for (const [at, value] of plot.grabs || []) {
      const x = xOf(drawing, plot, drawing.from + at), y = yOf(plot, value);
      add(inside, "path", { class: "grab", d: "M" + x + "," + (y - 5) + "l5,5l-5,5l-5,-5Z" });
    }
    const [from] = range(drawing);
    for (const [text, start] of plot.spans || []) {
      const x = xOf(drawing, plot, Math.max(drawing.from + start, from));
      add(inside, "text", { class: "upset-number", x: x + 3, y: plot.top + 11 }, text);
    }
  }

  function drawCloser(drawing) {
    drawing.closer.replaceChildren();
    if (!chosen) return;
    const [, , width, height] = drawing.view;
    add(drawing.closer, "rect", { class: "paper", x: 0, y: 0, width: width, height: height });
    drawing.plots.forEach(function (plot, number) { drawPlot(drawing, plot, number); });
  }

  // --- reading ------------------------------------------------------------------------------------------------

  function nearest(drawing, plot, at) {
    const [from, to] = range(drawing);
    const reach = Math.max((to - from) / 60, 300);
    let best = null;
    for (const flat of plot.lines || []) {
      const first = drawing.from + flat[0], last = drawing.from + flat[flat.length - 2];
      if (at < first - reach || at > last + reach) continue;
      for (let i = 0; i < flat.length; i += 2) {
        const time = drawing.from + flat[i];
        if (time < from || time > to) continue;
        if (!best || Math.abs(time - at) < Math.abs(best.time - at)) best = { time: time, value: flat[i + 1] };
      }
    }
    return best;
  }

  function rowsText(drawing, plot, at) {
    const out = plot.rows.filter(function (row) {
      return !row.there.some(function ([from, to]) { return at >= drawing.from + from && at < drawing.from + to; });
    });
    if (!out.length) return "all " + plot.rows.length + " tags have readings";
    return "no reading of " + out.map(function (row) { return row.label; }).join(", ");
  }

  function read(drawing, at) {
    const group = drawing.reading, said = [];
    group.replaceChildren();
    if (at === null || at < range(drawing)[0] || at > range(drawing)[1]) return "";
    drawing.plots.forEach(function (plot, number) {
      const found = plot.rows ? null : nearest(drawing, plot, at);
      const x = xOf(drawing, plot, found ? found.time : at), isLate = x > plot.left + 0.72 * plot.width;
      const side = { x: x + (isLate ? -7 : 7), "text-anchor": isLate ? "end" : "start" };
      const time = clockText(drawing, found ? found.time : at, true);
      add(group, "line", { class: "cursor", x1: x, x2: x, y1: plot.top, y2: plot.top + plot.height });
      if (found) add(group, "circle", { class: "dot", cx: x, cy: yOf(plot, found.value), r: 3.5 });
      const words = plot.rows ? rowsText(drawing, plot, at) : found ? amount(found.value, plot.unit) : "no reading";
      const y = plot.rows ? plot.top + plot.height - 2 : plot.top + plot.height - 5;
      add(group, "text", Object.assign({ class: "told", y: y }, side), (number === 0 ? time + ": " : "") + words);
      said.push((drawing.plots.length > 1 ? plot.name.split(":")[0] + " " : "") + words + (number === 0 ? " at " + time : ""));
    });
    return said.join("; ");
  }

  function readAll(at) {
    for (const drawing of drawings) {
      const said = read(drawing, at);
      drawing.at = at;
      if (at === null) continue;
      drawing.layer.setAttribute("aria-valuenow", String(Math.round(at)));
      drawing.layer.setAttribute("aria-valuetext", said || clockText(drawing, at, true));
    }
  }

  // --- choosing a range ---------------------------------------------------------------------------------------

  function show(next) {
    const whole = [Math.min.apply(null, drawings.map(function (d) { return d.from; })), Math.max.apply(null, drawings.map(function (d) { return d.to; }))];
    if (next) {
      const span = Math.min(Math.max(next[1] - next[0], drawings[0].least), whole[1] - whole[0]);
      const middle = (next[0] + next[1]) / 2;
      const from = Math.min(Math.max(middle - span / 2, whole[0]), whole[1] - span);
      next = span >= whole[1] - whole[0] ? null : [from, from + span];
    }
    chosen = next;
    for (const drawing of drawings) { drawCloser(drawing); read(drawing, drawing.at === undefined ? null : drawing.at); }
    for (const bar of bars) {
      bar.words.textContent = chosen
        ? "Shown: " + clockText(drawings[0], chosen[0], true) + " to " + clockText(drawings[0], chosen[1], true) + "."
        : "Drag along a drawing to look closer; the others follow. Keys on a drawing: arrows read, + and \u2212 change the range.";
      for (const button of bar.buttons) button.hidden = !chosen;
      bar.whole.classList.toggle("chosen", chosen !== null);
      bar.whole.hidden = !chosen && bar !== bars[0];
    }
  }

  function scale(factor, at) {
    const [from, to] = chosen || [drawings[0].from, drawings[0].to];
    const middle = at === null || at === undefined || at < from || at > to ? (from + to) / 2 : at;
    show([middle - (to - from) * factor / 2, middle + (to - from) * factor / 2]);
  }

  function shift(share) {
    if (!chosen) return;
    const by = (chosen[1] - chosen[0]) * share;
    show([chosen[0] + by, chosen[1] + by]);
  }

  function timeAt(drawing, event) {
    const frame = drawing.live.getBoundingClientRect(), plot = drawing.plots[0], [from, to] = range(drawing);
    const x = (event.clientX - frame.left) * drawing.view[2] / frame.width;
    return from + Math.min(Math.max((x - plot.left) / plot.width, 0), 1) * (to - from);
  }

  function mark(drawing, from, to) {
    drawing.mark.replaceChildren();
    if (from === null) return;
    for (const plot of drawing.plots) {
      const a = xOf(drawing, plot, Math.min(from, to)), b = xOf(drawing, plot, Math.max(from, to));
      add(drawing.mark, "rect", { class: "picked", x: a, width: b - a, y: plot.top, height: plot.height });
    }
  }

  function onMove(drawing, event) {
    const at = timeAt(drawing, event);
    if (anchor && anchor.drawing === drawing) mark(drawing, anchor.at, at);
    readAll(at);
  }

  function onRelease(drawing, event) {
    if (!anchor || anchor.drawing !== drawing) return;
    const from = anchor.at, to = timeAt(drawing, event), moved = Math.abs(event.clientX - anchor.x);
    anchor = null;
    mark(drawing, null);
    if (moved > 5) show([Math.min(from, to), Math.max(from, to)]);
  }

  function onKey(drawing, event) {
    const [from, to] = range(drawing), step = (to - from) / (event.shiftKey ? 20 : 200);
    const at = drawing.at === null || drawing.at === undefined ? (from + to) / 2 : drawing.at;
    const keys = {
      ArrowRight: function () { readAll(Math.min(at + step, to)); },
      ArrowLeft: function () { readAll(Math.max(at - step, from)); },
      Home: function () { readAll(from); },
      End: function () { readAll(to); },
      PageUp: function () { shift(-0.5); },
      PageDown: function () { shift(0.5); },
      "+": function () { scale(0.5, drawing.at); },
      "=": function () { scale(0.5, drawing.at); },
      "-": function () { scale(2, drawing.at); },
      0: function () { show(null); },
      Escape: function () { show(null); },
    };
    if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  }

  // --- setting up ---------------------------------------------------------------------------------------------

  function open(block) {
    const figure = block.closest("figure"), content = JSON.parse(block.textContent);
    const fixed = figure.querySelector(".drawing svg"), frames = fixed.querySelectorAll("[data-plot]");
    if (frames.length !== content.plots.length) return;
    content.plots.forEach(function (plot, number) {
      const [left, top, width, height] = frames[number].getAttribute("data-plot").split(" ").map(Number);
      Object.assign(plot, { left: left, top: top, width: width, height: height, isLast: number === content.plots.length - 1 });
    });
    const drawing = Object.assign(content, { id: figure.id, view: fixed.getAttribute("viewBox").split(" ").map(Number) });
    drawing.layer = document.createElement("div");
    drawing.layer.className = "live";
    const title = figure.querySelector(".title").textContent;
    const named = { role: "slider", tabindex: "0", "aria-label": title + ": read along time", "aria-valuemin": content.from, "aria-valuemax": content.to, "aria-valuenow": content.from, "aria-valuetext": "the whole period" };
    for (const key in named) drawing.layer.setAttribute(key, named[key]);
    drawing.live = document.createElementNS(fixed.namespaceURI, "svg");
    drawing.live.setAttribute("viewBox", fixed.getAttribute("viewBox"));
    drawing.live.setAttribute("aria-hidden", "true");
    for (const name of ["closer", "mark", "reading"]) drawing[name] = add(drawing.live, "g", { class: name });
    drawing.layer.appendChild(drawing.live);
    figure.querySelector(".drawing").after(drawing.layer);
    drawing.layer.addEventListener("pointermove", function (event) { onMove(drawing, event); });
    drawing.layer.addEventListener("pointerdown", function (event) {
      anchor = { drawing: drawing, at: timeAt(drawing, event), x: event.clientX };
      drawing.layer.setPointerCapture(event.pointerId);
    });
    drawing.layer.addEventListener("pointerup", function (event) { onRelease(drawing, event); });
    drawing.layer.addEventListener("pointercancel", function () { anchor = null; mark(drawing, null); });
    drawing.layer.addEventListener("pointerleave", function () { if (!anchor) readAll(null); });
    drawing.layer.addEventListener("dblclick", function () { show(null); });
    drawing.layer.addEventListener("keydown", function (event) { onKey(drawing, event); });
    drawings.push(drawing);
  }

  function addBar(section) {
    const bar = document.createElement("div"), words = document.createElement("span"), buttons = [];
    bar.className = "looking";
    words.setAttribute("role", "status");
    bar.appendChild(words);
    const acts = [["Earlier", function () { shift(-0.5); }], ["Later", function () { shift(0.5); }], ["Closer", function () { scale(0.5); }], ["Wider", function () { scale(2); }], ["Whole period", function () { show(null); }]];
    for (const [text, act] of acts) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      button.addEventListener("click", act);
      bar.appendChild(button);
      buttons.push(button);
    }
    section.prepend(bar);
    bars.push({ whole: bar, words: words, buttons: buttons });
  }

  document.querySelectorAll("figure script.numbers").forEach(open);
  if (!drawings.length) return;
  new Set(drawings.map(function (drawing) { return drawing.layer.closest(".body"); })).forEach(addBar);
  show(null);
})();
