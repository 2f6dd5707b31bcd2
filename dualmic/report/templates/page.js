"use strict";
// The picture of the take: zoomed, scrolled, hovered and reached by keyboard; and quiet clips.
// Everything it draws stands in the page as JSON; nothing is ever fetched.

(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const canvas = document.getElementById("plot");
  const readout = document.getElementById("readout");
  const pen = canvas.getContext("2d");
  const LEFT = 48, RIGHT = 10, TITLE = 26, ROW = 22, GAP = 12, AXIS = 22;
  const QUIET = 0.25; // volume of clips to begin with: a flagged moment can be very loud
  const SHORTEST_VIEW = 0.5; // seconds
  const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];
  const HALVES = { fail: 9, warn: 6, note: 3 };
  const POWER = Float64Array.from({ length: 256 }, (_, step) => step === 255 ? 0 : 10 ** ((6 - step / 2) / 10));

  const view = { from: 0, to: data.duration };
  let cursor = null, chosen = null, hits = [], printing = false;

  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  for (const lane of data.lanes) {
    lane.rms = bytes(lane.rms);
    lane.peak = bytes(lane.peak);
  }
  const lists = [...data.lanes.map((lane) => lane.rows), data.rows];
  const marks = lists.flat().flatMap((row) => row.marks.map(([id, start, end]) => ({ id, start, end, row })));
  marks.sort((a, b) => a.start - b.start || a.id - b.id);

  // ---- words ----

  const two = (value) => String(value).padStart(2, "0");

  function clock(seconds, tenths) {
    const all = Math.max(0, tenths ? Math.floor(seconds * 10 + 1e-6) : Math.floor(seconds + 1e-6) * 10);
    const whole = Math.floor(all / 10), hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60;
    const text = hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
    return tenths ? `${text}.${all % 10}` : text;
  }

  // Names of frames as SMPTE ST 12-1 counts them; see dualmic/timecode.py.
  function timecode(seconds) {
    const { start, rate, nominal, dropped } = data.timecode;
    let frame = start + Math.floor(seconds * rate + 0.01);
    const minute = 60 * nominal - dropped, ten = 10 * minute + dropped;
    frame %= 144 * ten;
    if (dropped) {
      const rest = frame % ten;
      frame += dropped * (9 * Math.floor(frame / ten) + Math.floor(Math.max(0, rest - dropped) / minute));
    }
    const whole = Math.floor(frame / nominal);
    const digits = String(frame % nominal).padStart(nominal > 100 ? 3 : 2, "0");
    return `${two(Math.floor(whole / 3600))}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}${dropped ? ";" : ":"}${digits}`;
  }

  function level(lane, seconds) {
    const step = lane.rms[Math.min(lane.rms.length - 1, Math.floor(seconds / data.duration * lane.rms.length))];
    return step === undefined ? "no level" : step === 255 ? "silence" : `${Math.round(6 - step / 2)} dB`.replace("-", "\u2212");
  }

  function describe(seconds) {
    const parts = [clock(seconds, true)];
    if (data.timecode) parts.push(timecode(seconds));
    for (const lane of data.lanes) {
      const talks = lane.turns.some(([start, end]) => seconds >= start && seconds < end);
      parts.push(`${lane.role} ${level(lane, seconds)}${talks ? ", talks" : ""}`);
    }
    const near = (view.to - view.from) / 200;
    for (const mark of marks) {
      if (seconds >= mark.start - near && seconds <= mark.end + near) parts.push(`problem ${mark.id}: ${mark.row.title}`);
    }
    return parts.slice(0, 8).join("  \u00b7  ");
  }

  // ---- drawing ----

  function colours() {
    const style = getComputedStyle(document.documentElement);
    const of = (name) => style.getPropertyValue(`--${name}`).trim();
    const dark = matchMedia("(prefers-color-scheme: dark)").matches && !printing;
    if (printing) {
      return { ink: "#000", line: "#ccc", paper: "#fff", urgent: data.colours.damage, family: (name) => data.colours[name],
               talk: "#42566a", hush: "#c3cad1", talkPeak: "#c9d3dc", hushPeak: "#e9ecef" };
    }
    return { ink: of("ink"), line: of("line"), paper: of("paper"), urgent: of("damage"), family: of,
             talk: dark ? "#9db4c9" : "#42566a", hush: dark ? "#4a545d" : "#c3cad1",
             talkPeak: dark ? "#55697c" : "#c9d3dc", hushPeak: dark ? "#2b3238" : "#e9ecef" };
  }

  const laneHeight = () => canvas.clientWidth < 520 ? 84 : 120;
  const plotWidth = () => canvas.clientWidth - LEFT - RIGHT;
  const xOf = (seconds) => LEFT + (seconds - view.from) / (view.to - view.from) * plotWidth();
  const secondsAt = (x) => view.from + (x - LEFT) / plotWidth() * (view.to - view.from);

  function neededHeight() {
    const lanes = data.lanes.reduce((sum, lane) => sum + TITLE + laneHeight() + lane.rows.length * ROW + GAP, 0);
    return AXIS * (data.timecode ? 2 : 1) + lanes + (data.rows.length ? TITLE + data.rows.length * ROW : 0) + 4;
  }

  function draw() {
    const ratio = window.devicePixelRatio || 1, height = neededHeight();
    canvas.style.height = `${height}px`;
    canvas.width = Math.round(canvas.clientWidth * ratio);
    canvas.height = Math.round(height * ratio);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    const ink = colours();
    hits = [];
    pen.fillStyle = ink.paper;
    pen.fillRect(0, 0, canvas.clientWidth, height);
    let y = 0;
    if (data.timecode) {
      drawTicks(y, ink, timecode, 140);
      y += AXIS;
    }
    for (const lane of data.lanes) {
      drawText(titleOf(lane), LEFT, y + TITLE / 2, ink.ink, "600 15px");
      y += TITLE;
      drawLane(lane, y, ink);
      y += laneHeight();
      y = drawRows(lane.rows, y, ink) + GAP;
    }
    if (data.rows.length) {
      drawText("Both microphones together", LEFT, y + TITLE / 2, ink.ink, "600 15px");
      y = drawRows(data.rows, y + TITLE, ink);
    }
    drawTicks(y, ink, (seconds) => clock(seconds, view.to - view.from < 6), 64);
    if (cursor !== null && cursor >= view.from && cursor <= view.to && !printing) {
      pen.fillStyle = ink.ink;
      pen.fillRect(Math.round(xOf(cursor)), 0, 1, y);
    }
  }

  function drawText(text, x, y, colour, font = "13px", align = "left") {
    pen.font = `${font} system-ui, sans-serif`;
    pen.textAlign = align;
    pen.textBaseline = "middle";
    pen.fillStyle = colour;
    pen.fillText(text, x, y);
  }

  function tickTimes(spacing) {
    const span = view.to - view.from, most = Math.max(1, plotWidth() / spacing);
    const step = STEPS.find((seconds) => span / seconds <= most) || STEPS.at(-1);
    const times = [];
    for (let count = Math.ceil(view.from / step - 1e-9); count * step <= view.to + 1e-9; count++) times.push(count * step);
    return times;
  }

  function drawTicks(y, ink, label, spacing) {
    for (const seconds of tickTimes(spacing)) {
      const x = xOf(seconds), end = canvas.clientWidth - RIGHT;
      const align = x < LEFT + spacing / 3 ? "left" : x > end - spacing / 3 ? "right" : "center";
      drawText(label(seconds), align === "left" ? Math.max(x, LEFT) : x, y + AXIS / 2, ink.ink, "13px", align);
    }
  }

  function talking(lane, width) {
    const columns = new Uint8Array(width);
    for (const [start, end] of lane.turns) {
      if (end >= view.from && start <= view.to) {
        columns.fill(1, Math.max(0, Math.floor(xOf(start) - LEFT)), Math.max(0, Math.ceil(xOf(end) - LEFT)));
      }
    }
    return columns;
  }

  function drawLane(lane, top, ink) {
    const height = laneHeight(), width = Math.floor(plotWidth()), count = lane.rms.length;
    const yOf = (db) => top + Math.min(1, Math.max(0, db / data.floor)) * height;
    const talk = talking(lane, width);
    for (const seconds of tickTimes(64)) {
      pen.fillStyle = ink.line;
      pen.fillRect(Math.round(xOf(seconds)), top, 1, height);
    }
    for (let column = 0; column < width && count; column++) {
      const first = Math.floor(secondsAt(LEFT + column) / data.duration * count);
      const last = Math.min(count, Math.max(first + 1, Math.floor(secondsAt(LEFT + column + 1) / data.duration * count)));
      let power = 0, peak = 255;
      for (let at = first; at < last; at++) {
        power += POWER[lane.rms[at]];
        if (lane.peak[at] < peak) peak = lane.peak[at];
      }
      const rms = power ? 10 * Math.log10(power / (last - first)) : data.floor;
      for (const [db, colour] of [[peak === 255 ? data.floor : 6 - peak / 2, talk[column] ? ink.talkPeak : ink.hushPeak],
                                  [rms, talk[column] ? ink.talk : ink.hush]]) {
        pen.fillStyle = colour;
        pen.fillRect(LEFT + column, yOf(db), 1, top + height - yOf(db));
      }
    }
    pen.fillStyle = ink.ink;
    pen.fillRect(LEFT, top, width, 1);
    pen.fillRect(LEFT, top + height - 1, width, 1);
    for (const db of [0, -20, -40, -60]) {
      drawText(db ? String(db).replace("-", "\u2212") : "0 dB", LEFT - 5, yOf(db), ink.ink, "12px", "right");
    }
    for (const row of lane.rows) {
      for (const [, start, end, severity] of row.marks) {
        if (severity !== "fail" || end < view.from || start > view.to) continue;
        const x = Math.max(LEFT, xOf(start)), to = Math.min(LEFT + width, xOf(end));
        pen.globalAlpha = to - x > width / 50 ? 0.15 : 0.4;
        pen.fillStyle = ink.family(row.family);
        pen.fillRect(x, top, Math.max(1.5, to - x), height);
        pen.globalAlpha = 1;
      }
    }
    if (lane.noise !== null) {
      pen.strokeStyle = ink.ink;
      pen.setLineDash([6, 4]);
      pen.beginPath();
      pen.moveTo(LEFT, Math.round(yOf(lane.noise)) + 0.5);
      pen.lineTo(LEFT + width, Math.round(yOf(lane.noise)) + 0.5);
      pen.stroke();
      pen.setLineDash([]);
    }
    for (const [start, end, urgent] of lane.risk) {
      if (end < view.from || start > view.to) continue;
      const x = Math.max(LEFT, xOf(start)), to = Math.min(LEFT + width, Math.max(xOf(end), xOf(start) + 3));
      const ask = urgent && lane.role === "subject";
      pen.fillStyle = ask ? ink.urgent : ink.ink;
      pen.fillRect(x, top - 5, to - x, ask ? 4 : 2);
      const words = ask ? "ask again" : urgent ? "say it again later" : "a copy exists";
      const free = Math.max(x, LEFT + titleOf(lane).length * 9);  // beside the lane's own title
      if (to - free > words.length * 7) drawText(words, (free + to) / 2, top - 13, pen.fillStyle, "600 13px", "center");
    }
  }

  function titleOf(lane) {
    return `${lane.role[0].toUpperCase()}${lane.role.slice(1)}, channel ${lane.channel}`;
  }

  function drawRows(rows, y, ink) {
    for (const row of rows) {
      const colour = ink.family(row.family), middle = y + ROW / 2;
      pen.fillStyle = ink.line;
      pen.fillRect(LEFT, Math.round(middle), plotWidth(), 1);
      pen.fillStyle = colour;
      pen.beginPath();
      pen.roundRect(LEFT - 25, y + 2, 18, 18, 4);
      pen.fill();
      drawText(row.letter, LEFT - 16, middle + 0.5, ink.paper, "700 13px", "center");
      row.marks.forEach(([id, start, end, severity], index) => {
        if (end < view.from || start > view.to) return;
        const half = HALVES[severity], x = Math.max(LEFT, xOf(start));
        const to = Math.min(LEFT + plotWidth(), Math.max(xOf(end), xOf(start) + 4));
        pen.fillStyle = colour;
        pen.fillRect(x, middle - half, Math.max(2, to - x), 2 * half);
        if (id === chosen) {
          pen.strokeStyle = ink.ink;
          pen.lineWidth = 2;
          pen.strokeRect(x - 3, y + 1, Math.max(2, to - x) + 6, ROW - 2);
          pen.lineWidth = 1;
        }
        hits.push({ id, x: x - 6, to: to + 6, y, bottom: y + ROW });
        const next = row.marks[index + 1], free = next ? Math.min(xOf(next[1]), LEFT + plotWidth()) : LEFT + plotWidth();
        if (to + 8 * String(id).length + 6 < free) drawText(String(id), to + 4, middle, ink.ink, "12px");
      });
      y += ROW;
    }
    return y;
  }

  // ---- moving ----

  function show(from, to) {
    const span = Math.min(data.duration, Math.max(SHORTEST_VIEW, to - from));
    view.from = Math.min(Math.max(0, (from + to - span) / 2), data.duration - span);
    view.to = view.from + span;
    draw();
  }

  function zoom(factor, around = cursor ?? (view.from + view.to) / 2) {
    const at = Math.min(Math.max(around, view.from), view.to), span = Math.min(data.duration, Math.max(SHORTEST_VIEW, (view.to - view.from) * factor));
    const from = at - (at - view.from) / (view.to - view.from) * span;
    show(from, from + span);
  }

  function moveCursor(seconds) {
    cursor = Math.min(Math.max(0, seconds), data.duration);
    const span = view.to - view.from;
    if (cursor < view.from) show(cursor, cursor + span);
    else if (cursor > view.to) show(cursor - span, cursor);
    else draw();
    tell();
  }

  function tell() {
    readout.textContent = describe(cursor);
    canvas.setAttribute("aria-valuenow", cursor.toFixed(1));
    canvas.setAttribute("aria-valuetext", readout.textContent);
  }

  function showProblem(id, start, end) {
    chosen = id;
    cursor = start;
    const room = Math.max(5, (end - start) * 0.5);
    show(start - room, end + room);
    tell();
    mark(id);
  }

  function mark(id) {
    document.querySelectorAll(".chosen").forEach((item) => item.classList.remove("chosen"));
    const item = document.getElementById(`problem-${id}`);
    if (!item) return null;
    item.classList.add("chosen");
    const fold = item.closest("details");
    if (fold) fold.open = true;
    return item;
  }

  function step(direction) {
    const here = cursor ?? (direction > 0 ? -1 : data.duration + 1);
    const at = marks.findIndex((one) => one.id === chosen && one.start === cursor);
    const next = at >= 0 ? marks[at + direction]
      : direction > 0 ? marks.find((one) => one.start > here) : marks.findLast((one) => one.start < here);
    if (next) showProblem(next.id, next.start, next.end);
  }

  const keys = {
    ArrowLeft: () => moveCursor((cursor ?? view.from) - (view.to - view.from) / 50),
    ArrowRight: () => moveCursor((cursor ?? view.from) + (view.to - view.from) / 50),
    PageUp: () => moveCursor((cursor ?? view.from) - (view.to - view.from) / 2),
    PageDown: () => moveCursor((cursor ?? view.from) + (view.to - view.from) / 2),
    Home: () => moveCursor(0),
    End: () => moveCursor(data.duration),
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
    0: () => show(0, data.duration),
    n: () => step(1), p: () => step(-1),
    Enter: () => { if (chosen !== null) mark(chosen)?.focus(); },
  };

  canvas.addEventListener("keydown", (event) => {
    const action = keys[event.key] || keys[event.key.toLowerCase()];
    if (!action || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    action();
  });

  const pointers = new Map();
  let dragged = false;

  canvas.addEventListener("pointerdown", (event) => {
    pointers.set(event.pointerId, event.offsetX);
    canvas.setPointerCapture(event.pointerId);
    dragged = false;
  });

  canvas.addEventListener("pointermove", (event) => {
    const before = pointers.get(event.pointerId), x = event.offsetX;
    if (before === undefined) {
      if (x >= LEFT && x <= LEFT + plotWidth()) moveCursor(secondsAt(x));
      return;
    }
    if (pointers.size === 2) {
      const other = [...pointers].find(([id]) => id !== event.pointerId)[1];
      zoom(Math.abs(before - other) / Math.max(8, Math.abs(x - other)), secondsAt((x + other) / 2));
    } else if (dragged || Math.abs(x - before) > 4) {
      const moved = (before - x) / plotWidth() * (view.to - view.from);
      show(view.from + moved, view.to + moved);
    } else return;
    dragged = true;
    pointers.set(event.pointerId, x);
  });

  canvas.addEventListener("pointerup", (event) => {
    pointers.delete(event.pointerId);
    if (dragged) return;
    const hit = hits.find(({ x, to, y, bottom }) => event.offsetX >= x && event.offsetX <= to && event.offsetY >= y && event.offsetY < bottom);
    if (!hit) {
      moveCursor(secondsAt(Math.max(LEFT, event.offsetX)));
      return;
    }
    chosen = hit.id;
    draw();
    const item = mark(hit.id);
    item?.focus({ preventScroll: true });
    item?.scrollIntoView({ block: "center" });
  });
  canvas.addEventListener("pointercancel", (event) => pointers.delete(event.pointerId));

  canvas.addEventListener("wheel", (event) => {
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (!event.ctrlKey && !event.metaKey && !sideways) return; // the page scrolls
    event.preventDefault();
    const moved = event.deltaX / plotWidth() * (view.to - view.from);
    if (sideways) show(view.from + moved, view.to + moved);
    else zoom(event.deltaY > 0 ? 1.25 : 0.8, secondsAt(event.offsetX));
  }, { passive: false });

  for (const button of document.querySelectorAll(".jump")) {
    button.addEventListener("click", () => {
      const { problem, start, end } = button.dataset;
      if (problem) showProblem(Number(problem), Number(start), Number(end));
      else {
        cursor = Number(start);
        show(Number(start) - 2, Number(end) + 2);
        tell();
      }
      canvas.scrollIntoView({ block: "center" });
      canvas.focus({ preventScroll: true });
    });
  }
  document.getElementById("closer").addEventListener("click", () => zoom(0.5));
  document.getElementById("wider").addEventListener("click", () => zoom(2));
  document.getElementById("whole").addEventListener("click", () => show(0, data.duration));
  document.getElementById("previous").addEventListener("click", () => step(-1));
  document.getElementById("next").addEventListener("click", () => step(1));

  const clips = [...document.querySelectorAll("audio")];
  for (const clip of clips) {
    clip.volume = QUIET;
    clip.addEventListener("play", () => clips.forEach((other) => other !== clip && other.pause()));
  }

  document.getElementById("picture").hidden = false;
  canvas.setAttribute("aria-valuemax", data.duration.toFixed(1));
  new ResizeObserver(draw).observe(canvas.parentElement);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  window.addEventListener("beforeprint", () => {
    document.querySelectorAll("details.group").forEach((fold) => { fold.open = true; });
    printing = true;
    show(0, data.duration);
  });
  window.addEventListener("afterprint", () => { printing = false; draw(); });
  draw();
})();
