// The seat panel in a browser. It draws and plays what Python says: times, levels, gains,
// filters and words all come from there; none of them is worked out here.

const FADE_S = 0.03, QUICK_S = 0.015, SETTLE_S = 0.06, LANES = 4;
const page = (globalThis.fillPage ??= { context: null, playing: null, heads: {} });

// Sound: one looping source feeds two slots; a change sets the silent one and fades over to it.

const ahead = azimuth => {
  const turn = azimuth * Math.PI / 180;
  return { positionX: Math.sin(turn), positionZ: -Math.cos(turn) };
};

function makeSlot(context, input, out, lineS) {
  const fade = new GainNode(context, { gain: 0 });
  fade.connect(out);
  const lanes = Array.from({ length: LANES }, () => {
    const line = new DelayNode(context, { maxDelayTime: lineS });
    const gain = new GainNode(context, { gain: 0 });
    const head = new PannerNode(context, { panningModel: "HRTF", rolloffFactor: 0, ...ahead(0) });
    input.connect(line).connect(gain).connect(head).connect(fade);
    return { line, gain, head, filters: [], azimuth: 0, cut: "[]" };
  });
  return { fade, lanes };
}

function cutLane(context, lane, sections) {
  for (const node of [lane.line, ...lane.filters]) node.disconnect();
  lane.filters = sections.map(one => new IIRFilterNode(
    context, { feedforward: one.slice(0, 3), feedback: one.slice(3) }));
  [lane.line, ...lane.filters, lane.gain].reduce((from, to) => from.connect(to));
}

// Two slots behind one input; `put` sets one of them and says how long it takes to settle.
export function makeGraph(context, lineS, evenHead = () => 1) {
  const input = new GainNode(context), out = new GainNode(context);
  const slots = [0, 1].map(() => makeSlot(context, input, out, lineS));
  const put = (slot, branches) => {
    let settle = QUICK_S;
    slots[slot].lanes.forEach((lane, i) => {
      const one = branches[i];
      if (!one) { lane.gain.gain.value = 0; return; }
      const cut = JSON.stringify(one.sections);
      if (cut !== lane.cut || one.azimuth !== lane.azimuth) settle = SETTLE_S;
      if (cut !== lane.cut) cutLane(context, lane, one.sections);
      for (const [name, value] of Object.entries(ahead(one.azimuth))) lane.head[name].value = value;
      lane.line.delayTime.value = one.late / context.sampleRate;
      lane.gain.gain.value = one.gain * evenHead(one.azimuth);
      Object.assign(lane, { cut, azimuth: one.azimuth });
    });
    return settle;
  };
  return { input, out, slots, put };
}

function fadeAt(param, start, up) {
  const curve = Float32Array.from({ length: 64 }, (_, i) => {
    const rise = (1 - Math.cos(Math.PI * i / 63)) / 2;
    return up ? rise : 1 - rise;
  });
  param.setValueCurveAtTime(curve, start, FADE_S);
}

// Power of a sound through the browser's head. Chromium now and then never ends a rendering
// that waits for its head to load: then another one is begun. Where none ends, not a number.
async function headPower(buffer, angle, length) {
  for (let tries = 0; tries < 4; tries++) {
    const context = new OfflineAudioContext(2, length, buffer.sampleRate);
    const source = new AudioBufferSourceNode(context, { buffer });
    const head = new PannerNode(context, { panningModel: "HRTF", ...ahead(angle) });
    source.connect(head).connect(context.destination);
    source.start();
    const late = new Promise(end => setTimeout(end, 400 + 2000 * length / buffer.sampleRate));
    const heard = await Promise.race([context.startRendering(), late]);
    if (!heard) continue;
    let power = 0;
    for (const ear of [0, 1]) for (const x of heard.getChannelData(ear)) power += x * x;
    return power;
  }
  return NaN;
}

// The browser's head makes a sound louder from the side: measured once, so that it can be evened.
export async function measureHead(buffer) {
  const powers = [];
  for (let angle = 0; angle <= 180; angle += 15)
    powers.push(await headPower(buffer, angle, Math.min(buffer.length, 4 * buffer.sampleRate)));
  return azimuth => {
    const at = Math.min(Math.abs(azimuth) / 15, 11.999), low = Math.floor(at);
    const power = powers[low] + (at - low) * (powers[low + 1] - powers[low]);
    return power > 0 ? Math.sqrt(powers[0] / power) : 1;
  };
}

export class Player {
  constructor(lineS, ended) { Object.assign(this, { lineS, ended, live: 0, next: null, busy: 0 }); }

  get playing() { return page.playing === this; }

  async start(pcm, rate, branches) {
    const context = (page.context ??= new AudioContext({ sampleRate: rate, latencyHint: "interactive" }));
    page.playing?.stop();
    for (const other of document.querySelectorAll("audio, video")) other.pause();
    page.playing = this;
    await context.resume();
    const buffer = new AudioBuffer({ length: pcm.length, sampleRate: rate });
    buffer.copyToChannel(Float32Array.from(pcm, x => x / 32768), 0);
    let even = () => 1;
    const graph = makeGraph(context, this.lineS, azimuth => even(azimuth));
    // Until the browser has its head at hand it plays without; rendering offline waits for it.
    await headPower(buffer, 0, 128);
    if (!this.playing) return;
    this.graph = graph;
    const sum = pcm.length + pcm.slice(pcm.length / 2, pcm.length / 2 + 999).reduce((a, b) => a + b);
    (page.heads[sum] ??= measureHead(buffer)).then(found => setTimeout(() => {
      // In a task of its own: within one the sound's clock stands still.
      even = found;
      this.key = "";
      this.change(this.last);
    }));
    this.source = new AudioBufferSourceNode(context, { buffer, loop: true });
    this.source.connect(this.graph.input);
    this.graph.out.connect(context.destination);
    Object.assign(this, { live: 0, busy: 0, key: JSON.stringify(branches), next: null, last: branches });
    this.graph.put(0, branches);
    this.source.start();
    const begin = context.currentTime + 0.005;
    fadeAt(this.graph.slots[0].fade.gain, begin, true);
    this.hold(begin + FADE_S);
  }

  change(branches) {
    this.next = this.last = branches;
    if (this.playing && this.graph && !this.busy) this.turn();
  }

  turn() {
    const branches = this.next, key = JSON.stringify(branches);
    this.next = null;
    if (!branches || key === this.key) return;
    this.key = key;
    const { slots, put } = this.graph, idle = 1 - this.live, settle = put(idle, branches);
    const start = page.context.currentTime + settle;
    fadeAt(slots[this.live].fade.gain, start, false);
    fadeAt(slots[idle].fade.gain, start, true);
    this.live = idle;
    this.hold(start + FADE_S);
  }

  // By the clock of the sound, which falls behind on a busy machine.
  hold(until) {
    const late = until - page.context.currentTime;
    this.busy = setTimeout(() => {
      this.busy = 0;
      if (!this.graph) return;
      if (page.context.currentTime < until) this.hold(until);
      else this.turn();
    }, Math.max(1000 * late, 0) + 2);
  }

  stop() {
    if (page.playing === this) page.playing = null;
    clearTimeout(this.busy);
    const { graph, source } = this;
    Object.assign(this, { graph: null, source: null, busy: 0 });
    this.ended?.();
    if (!graph) return;
    graph.out.gain.setTargetAtTime(0, page.context.currentTime, 0.005);
    source.stop(page.context.currentTime + 0.08);
    setTimeout(() => {
      graph.out.disconnect();
      if (!page.playing) page.context.suspend();
    }, 300);
  }
}

// What is played in each state: Python's branches, with the tables of the fill under the hands.
export function resolve(told, hands, asked, sounding) {
  const states = Object.values(told.states).map(state => state.play);
  const base = Math.min(...states.flat().map(one => one.late));
  return told.states[asked.compare].play.map(one => {
    const mute = (sounding === "mains alone" && one.fill) || (sounding === "fills alone" && !one.fill);
    const mine = one.hands && asked.compare === "as set";
    const own = !mine ? 1 : asked.on ? hands.gains[asked.trim] * (asked.inverted ? -1 : 1) : 0;
    return {
      late: one.late - base + (mine ? hands.samples[asked.delay] : 0),
      gain: mute ? 0 : one.gain * own,
      azimuth: one.azimuth,
      sections: mine ? hands.sections[asked.low_cut] : one.sections,
    };
  });
}

// Drawing

const CSS = `
.fill-seat {font: 14px/1.35 sans-serif; color: #222; background: #fff; max-width: 1120px;
  padding: 2px 6px; box-sizing: border-box}
.fill-seat p {margin: 0 0 2px}
.fill-seat .asks {border-left: 4px solid #1f5c99; padding: 1px 8px; margin-bottom: 4px}
.fill-seat .said {min-height: 84px}
.fill-seat .verdict {font-weight: 700; font-size: 17px}
.fill-seat .views {display: grid; grid-template-columns: 1.55fr 1fr; gap: 10px}
.fill-seat svg {width: 100%; height: 320px; display: block; background: #fff; touch-action: none}
.fill-seat svg text {font: 12px sans-serif; fill: #222; paint-order: stroke; stroke: #fff;
  stroke-width: 3px}
.fill-seat .knobs {display: grid; grid-template-columns: repeat(auto-fit, minmax(250px, 1fr));
  gap: 2px 18px; margin-top: 4px}
.fill-seat .knobs:has(> :nth-child(4)) {grid-template-columns: 1fr 1fr}
.fill-seat .knobs label, .fill-seat .knob {display: grid; grid-template-columns: 3.7em 1fr 4.8em; align-items: center;
  gap: 6px}
.fill-seat .knob {grid-template-columns: 7.6em 1fr 3.8em}
.fill-seat input[type=range] {width: 100%; accent-color: #1f5c99; margin: 3px 0}
.fill-seat output, .fill-seat .value {text-align: right; font-variant-numeric: tabular-nums}
.fill-seat .row {display: flex; flex-wrap: wrap; gap: 4px 14px; align-items: center; margin-top: 4px}
.fill-seat button, .fill-seat select {font: inherit; color: #222; background: #fff;
  border: 1.5px solid #767676; border-radius: 3px; padding: 2px 10px; min-height: 28px}
.fill-seat button[aria-pressed=true] {background: #222; color: #fff; border-color: #222}
.fill-seat fieldset {border: 0; margin: 0; padding: 0; display: inline-flex; gap: 3px;
  align-items: center}
.fill-seat legend {float: left; padding: 0 6px 0 0}
.fill-seat :focus-visible {outline: 3px solid #b4560f; outline-offset: 1px}
.fill-seat .seat:focus {outline: none}
.fill-seat .seat:focus circle {stroke: #b4560f; stroke-width: 4}
.fill-seat .hint {font-size: 12px; color: #555; margin: 4px 0}
.fill-seat .gone {color: #b4560f; font-weight: 700}
.fill-seat.large {font-size: 22px; max-width: none}
.fill-seat.large .verdict {font-size: 27px}
.fill-seat.large .said {min-height: 108px}
.fill-seat.large svg {height: 440px}
.fill-seat.large svg text {font-size: 20px}
.fill-seat.large .hint {font-size: 18px}
.fill-seat.large svg text {stroke-width: 6px}
.fill-seat.large .knobs {grid-template-columns: repeat(auto-fit, minmax(420px, 1fr))}
.fill-seat.large .knobs:has(> :nth-child(4)) {grid-template-columns: 1fr 1fr}
@media (max-width: 700px) {.fill-seat .views, .fill-seat .knobs:has(> :nth-child(4)) {grid-template-columns: 1fr}}
`;
const INK = "#222", HUE = "#1f5c99", GREY = "#767676";

const html = (name, attributes = {}, ...inside) => {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...inside);
  return node;
};
const svg = (name, attributes = {}, text = "") => {
  const node = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.textContent = text;
  return node;
};
const clear = (value, digits = 1) => value.toFixed(digits).replace("-", "\u2212");
// Words as set in type: a minus is one, and a number keeps its unit on its line.
const typeset = words => words.replace(/(^|\s)-(?=\d)/g, "$1\u2212").replace(/(\d) (?=(ms|dBA?|Hz)\b)/g, "$1\u00a0");

// Line through a grid of values where they equal one of them (marching squares).
function contour(grid, nx, ny, value, at) {
  const pieces = [];
  for (let j = 0; j + 1 < ny; j++) for (let i = 0; i + 1 < nx; i++) {
    const k = j * nx + i, corners = [grid[k], grid[k + 1], grid[k + nx + 1], grid[k + nx]];
    const places = [[i, j], [i + 1, j], [i + 1, j + 1], [i, j + 1]], cuts = [];
    for (let side = 0; side < 4; side++) {
      const a = corners[side], b = corners[(side + 1) % 4];
      if ((a < value) === (b < value)) continue;
      const share = (value - a) / (b - a), [p, q] = [places[side], places[(side + 1) % 4]];
      cuts.push(at(p[0] + share * (q[0] - p[0]), p[1] + share * (q[1] - p[1])));
    }
    for (let n = 0; n + 1 < cuts.length; n += 2) pieces.push([cuts[n], cuts[n + 1]]);
  }
  return chained(pieces);
}

// One path of pieces that meet, so that its dashes run through.
function chained(pieces) {
  const meeting = new Map(), left = new Set(pieces);
  for (const one of pieces) for (const end of one) meeting.set(end, [...(meeting.get(end) ?? []), one]);
  const loose = end => meeting.get(end).length === 1;
  let path = "";
  for (let one of [...pieces.filter(ends => ends.some(loose)), ...pieces]) {
    if (!left.has(one)) continue;
    let [from, to] = loose(one[0]) ? one : [one[1], one[0]];
    path += `M${from}`;
    while (one) {
      left.delete(one);
      path += `L${to}`;
      one = meeting.get(to).find(next => left.has(next));
      if (one) to = one[0] === to ? one[1] : one[0];
    }
  }
  return path;
}

// The hall from above and in section, in one scale.
class Hall {
  constructor(root, hall, moved) {
    Object.assign(this, { hall, moved, svg: svg("svg", { role: "group" }) });
    this.svg.setAttribute("aria-label", "The hall from above, and below it from the side");
    root.append(this.svg);
    this.seat = svg("g", { class: "seat", tabindex: 0, role: "application",
      "aria-roledescription": "listener to move" });
    this.seat.append(svg("circle", { r: 8, fill: "#fff", stroke: INK, "stroke-width": 2.5 }),
      svg("path", { d: "M-8 -4L-14 0L-8 4Z", fill: INK }));
    this.below = svg("circle", { r: 6, fill: "#fff", stroke: INK, "stroke-width": 2.5 });
    this.svg.addEventListener("pointerdown", event => this.grab(event));
    this.seat.addEventListener("keydown", event => this.step(event));
  }

  layout() {
    const { width, height } = this.svg.getBoundingClientRect();
    if (!width) return;
    const [x0, x1, y0, y1, z0, z1] = this.hall.box;
    const edge = this.svg.closest(".large") ? 25 : 16, gap = edge + 4;
    const scale = Math.min((width - 2 * edge) / (x1 - x0),
                           (height - 2 * edge - gap) / (y1 - y0 + z1 - z0));
    const left = (width - scale * (x1 - x0)) / 2, top = edge, floor = top + scale * (y1 - y0)
      + gap + scale * (z1 - z0);
    Object.assign(this, { scale, left, lift: 0.36 * edge });
    this.px = x => left + scale * (x - x0);
    this.py = y => top + scale * (y1 - y);
    this.pz = z => floor - scale * (z - z0);
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.replaceChildren(...this.still());
    this.draw();
  }

  still() {
    const { px, py, pz, hall, left, lift } = this, parts = [], [x0, x1, , , z0] = hall.box;
    const box = (x, y, width, height, more) => parts.push(svg("rect", { x, y, width, height, ...more }));
    for (const area of hall.areas) {
      const [a, b] = area.x.map(px), [low, high] = area.y;
      box(a, py(high), Math.max(b - a, 2), Math.max(py(low) - py(high), 2), { fill: "#ececec" });
      for (const [up, width, dash] of [[0, 2, "none"], [area.ear, 1, "4 3"]])
        parts.push(svg("line", { x1: a, x2: b, y1: pz(area.floor[0] + up), y2: pz(area.floor[1] + up),
          stroke: GREY, "stroke-width": width, "stroke-dasharray": dash }));
    }
    if (hall.room) {
      const [a, b, width, height] = hall.room, frame = { fill: "none", stroke: GREY };
      box(px(a), py(width / 2), px(b) - px(a), py(-width / 2) - py(width / 2), frame);
      box(px(a), pz(height), px(b) - px(a), pz(0) - pz(height), frame);
    } else
      parts.push(svg("line", { x1: px(x0), x2: px(x1), y1: pz(z0), y2: pz(z0), stroke: GREY }));
    this.fronts = hall.sources.map(source => [0, 1].map(() => {
      const fill = source.role === "fill";
      const path = svg("path", { fill: "none", stroke: fill ? HUE : INK, "stroke-width": 2,
        "stroke-dasharray": fill ? "7 4" : "none", "stroke-opacity": 0.8 });
      parts.push(path);
      return path;
    }));
    this.boxes = hall.sources.map(source => [source.at[1], source.at[2]].map((_, view) => {
      const [x, y, z] = source.at, up = view ? pz(z) : py(y), fill = source.role === "fill";
      const mark = svg("path", { d: fill ? "M0 -7L7 6L-7 6Z" : "M-6 -6H6V6H-6Z",
        transform: `translate(${px(x)} ${up})`, stroke: fill ? HUE : INK, "stroke-width": 2 });
      mark.append(svg("title", {}, source.name));
      parts.push(mark);
      return mark;
    }));
    const note = (words, at, up, anchor) => svg("text", { x: at, y: up, fill: "#555", "text-anchor": anchor }, words);
    this.above = note("from above", left, py(hall.box[3]) - lift, "start");
    const side = note("from the side", px(hall.box[1]), pz(hall.box[5]) - lift, "end");
    return [...parts, this.above, side, this.below, this.seat];
  }

  place(x, y, z) { Object.assign(this, { x, y, z }); this.draw(); }

  draw() {
    if (!this.px || this.x === undefined) return;
    this.seat.setAttribute("transform", `translate(${this.px(this.x)} ${this.py(this.y)})`);
    this.below.setAttribute("transform", `translate(${this.px(this.x)} ${this.pz(this.z)})`);
    const side = Math.abs(this.y) < 0.05 ? "on the middle line"
      : `${Math.abs(this.y).toFixed(1)} m to the ${this.y > 0 ? "left" : "right"} of the middle, seen from the stage`;
    this.seat.setAttribute("aria-label", `Listener ${this.x.toFixed(1)} m from the stage, ${side}. `
      + "Arrow keys move by half a metre, with Shift by a tenth.");
  }

  mark(state, outputs) {
    if (!this.boxes) return;
    this.above.textContent = `from above${state.sounds_at.includes(null) ? " (hollow marks are off)" : ""}`;
    this.hall.sources.forEach((source, s) => this.boxes[s].forEach(mark => {
      const colour = source.role === "fill" ? HUE : INK;
      mark.setAttribute("fill", state.sounds_at[s] === null ? "#fff" : colour);
      mark.setAttribute("stroke-width", outputs.includes(source.output) ? 4 : 2);
    }));
  }

  // Fronts at a time: where the travel time of a box is what has passed since it sounded.
  sweep(time, state, waves) {
    if (!this.px || !waves.plan) return;
    const [x0, x1, y0, y1, z0, z1] = this.hall.box, { nx, ny, nz } = waves;
    const x = i => this.px(x0 + i * (x1 - x0) / (nx - 1));
    const views = [[waves.plan, ny, j => this.py(y0 + j * (y1 - y0) / (ny - 1))],
                   [waves.section, nz, j => this.pz(z0 + j * (z1 - z0) / (nz - 1))]];
    views.forEach(([maps, rows, up], view) => this.hall.sources.forEach((_, s) => {
      const passed = time - state.sounds_at[s], grid = maps.subarray(s * nx * rows, (s + 1) * nx * rows);
      const off = state.sounds_at[s] === null || passed < 0;
      this.fronts[s][view].setAttribute("d", off ? "" : contour(grid, nx, rows, passed,
        (i, j) => `${x(i).toFixed(1)} ${up(j).toFixed(1)}`));
    }));
  }

  pulse(on) { for (const ear of [this.seat.firstChild, this.below]) ear.setAttribute("fill", on ? "#e9b872" : "#fff"); }

  to(x, y, dragging) {
    const [x0, x1, y0, y1] = this.hall.box;
    const tenth = (value, low, high) => Math.round(10 * Math.min(Math.max(value, low), high)) / 10;
    this.place(tenth(x, x0, x1), tenth(y, y0, y1), this.z);
    this.moved(this.x, this.y, dragging);
  }

  grab(event) {
    if (!this.px) return;
    const { left, top } = this.svg.getBoundingClientRect();
    const follow = (one, dragging) => {
      const [x0, , , y1] = this.hall.box;
      this.to(x0 + (one.clientX - left - this.px(x0)) / this.scale,
              y1 - (one.clientY - top - this.py(y1)) / this.scale, dragging);
    };
    if (event.clientY - top > this.py(this.hall.box[2]) + 10) return;
    event.preventDefault();
    this.seat.focus();
    this.svg.setPointerCapture(event.pointerId);
    const move = one => follow(one, true);
    this.svg.addEventListener("pointermove", move);
    this.svg.addEventListener("lostpointercapture", one => {
      this.svg.removeEventListener("pointermove", move);
      follow(one, false);
    }, { once: true });
    follow(event, true);
  }

  step(event) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (!(event.key in ways)) return;
    event.preventDefault();
    const [dx, dy] = ways[event.key].map(way => way * (event.shiftKey ? 0.1 : 0.5));
    this.to(this.x + dx, this.y + dy, false);
  }
}

// The arrivals as spikes in time, with the gap and the levels.
class Spikes {
  constructor(root) {
    this.svg = svg("svg", { role: "img" });
    root.append(this.svg);
  }

  draw(state, hall) {
    this.state = state;
    this.hall = hall;
    const { width, height } = this.svg.getBoundingClientRect();
    if (!width) return;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.setAttribute("aria-label", `Arrivals. ${state.verdict} ${state.detail}`);
    const size = this.svg.closest(".large") ? 20 : 12, foot = height - 2.6 * size, top = 4.6 * size;
    const [mains, loud] = state.mains, [late, softer] = state.late, parts = [];
    const heard = state.arrivals.filter(Boolean);
    const zero = mains ?? Math.min(...heard.map(one => one[0]), Infinity);
    const step = [10, 20, 50, 100, 200, 500, 1000, 5e4].find(one => 2.2 * one > Math.abs(state.gap ?? 0));
    const reach = 2.5 * step;
    const highest = Math.max(loud ?? -1e9, softer ?? -1e9, ...heard.map(one => one[1]));
    const x = this.x = time => width * (0.5 + 0.46 * (time - zero) / reach);
    const y = level => Math.min(foot, top + (highest - level) / 40 * (foot - top));
    const line = (x1, y1, x2, y2, more) => parts.push(svg("line", { x1, y1, x2, y2, stroke: INK, ...more }));
    const text = (words, at, up, anchor = "middle", more = {}) =>
      parts.push(svg("text", { x: at, y: up, "text-anchor": anchor, ...more }, words));
    line(0, foot, width, foot);
    for (const tick of [-2, -1, 0, 1, 2].map(one => one * step)) {
      line(x(zero + tick), foot, x(zero + tick), foot + 4);
      text(clear(tick, 0), x(zero + tick), foot + 4 + size);
    }
    text(`ms after the main${heard.length > 2 ? " (thin: other boxes)" : ""}`, width / 2, height - 0.3 * size);
    if (!isFinite(zero)) { this.svg.replaceChildren(...parts); return; }
    state.arrivals.forEach((one, s) => {
      if (one && Math.abs(one[0] - zero) < reach)
        line(x(one[0]), foot, x(one[0]), y(one[1]), { stroke: "#b0b0b0", "stroke-width": 2 });
    });
    const spike = (time, level, name, colour, dash, side) => {
      line(x(time), foot, x(time), y(level), { stroke: colour, "stroke-width": 5, "stroke-dasharray": dash });
      parts.push(svg("path", { d: name === "main" ? "M-6 -6H6V6H-6Z" : "M0 -7L7 6L-7 6Z", fill: colour,
        transform: `translate(${x(time)} ${y(level)})` }));
      // Away from the other spike, or inwards where it would be cut.
      const way = Math.abs(x(time) + 8 * size * side - width / 2) > width / 2 ? -side : side;
      text(`${name} ${clear(level)} dBA`, x(time) + 8 * way, y(level) - 0.9 * size,
        way < 0 ? "end" : "start", { "font-weight": "bold" });
    };
    if (mains !== null) spike(mains, loud, "main", INK, "none", (state.gap ?? 0) < 0 ? 1 : -1);
    if (late !== null) {
      spike(late, softer, "fill", HUE, "9 4", state.gap < 0 ? -1 : 1);
      const up = 2.2 * size;
      line(x(mains), up, x(late), up, { "stroke-width": 2 });
      for (const end of [mains, late]) line(x(end), up - 5, x(end), up + 5, { "stroke-width": 2 });
      text(`gap ${state.gap > 0 ? "+" : ""}${clear(state.gap)} ms`, Math.min(Math.max((x(mains) + x(late)) / 2,
        5 * size), width - 5 * size), up - 0.7 * size, "middle", { "font-weight": "bold" });
    }
    this.now = svg("line", { y1: 3 * size, y2: foot, stroke: "#b4560f", "stroke-dasharray": "2 4" });
    this.svg.replaceChildren(this.now, ...parts);
  }

  at(time) {
    if (!this.now) return;
    this.now.setAttribute("x1", this.x(time));
    this.now.setAttribute("x2", this.x(time));
  }
}

const KNOBS = {
  delay: ["Delay", "delay_ms", value => `${clear(value)} ms`],
  trim: ["Trim", "trim_db", value => `${value > 0 ? "+" : ""}${clear(value)} dB`],
  low_cut: ["Low cut", "low_cut_hz", value => value === null ? "none" : `${Math.round(value)} Hz`],
};

function render({ model, el }) {
  const hall = model.get("hall"), has = name => hall.controls.includes(name);
  const onFill = name => has(name) && Object.keys(hall.fills).length > 0;
  const state = () => model.get("told").states[asked.compare];
  let asked = { ...model.get("asked") }, sounding = "all", dead = false, waiting = false;
  let waves = {}, time = 0, running = !matchMedia("(prefers-reduced-motion: reduce)").matches;
  const sounds = {};

  const root = html("div", { class: "fill-seat", role: "region", "aria-label": hall.title });
  const verdict = html("p", { class: "verdict" }), detail = html("p", { class: "detail" });
  const said = html("span", { role: "status", "aria-live": "polite",
    style: "position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%)" });
  const views = html("div", { class: "views" }), [left, right] = [html("div"), html("div")];
  const knobs = html("div", { class: "knobs" }), row = html("div", { class: "row" });
  views.append(left, right);
  const words = html("div", { class: "said" }, verdict, detail, said);
  root.append(html("style", {}, CSS), words, views, row, knobs);
  if (hall.question) words.before(html("p", { class: "asks" }, hall.question));
  const plan = new Hall(left, hall, (x, y, dragging) => ask({ x, y, dragging }));
  const spikes = new Spikes(right);
  const player = new Player(hall.line_s, () => showPlaying(false));

  // What the controls say goes to the sound at once and to Python for the rest.
  function ask(changes) {
    if (dead) return;
    asked = { ...asked, ...changes, n: asked.n + 1 };
    sound();
    show();
    model.set("asked", asked);
    model.save_changes();
  }
  const sound = () => player.change(resolve(model.get("told"), model.get("hands"), asked, sounding));

  const button = (words, act, into, more = {}) => {
    const made = html("button", { type: "button", ...more }, words);
    made.addEventListener("click", act);
    into.append(made);
    return made;
  };
  const group = (name, words, chosen, choose) => {
    const set = html("fieldset", {}, html("legend", {}, name)), made = {};
    for (const word of words)
      made[word] = button(word, () => { choose(word); update(); }, set);
    const update = () => Object.entries(made).forEach(([word, one]) =>
      one.setAttribute("aria-pressed", word === chosen()));
    row.append(set);
    update();
    return update;
  };

  const listenButton = button("\u25b6 Listen", () => player.playing ? player.stop() : startSound(), row);
  const showPlaying = on => {
    listenButton.textContent = on ? "\u25a0 Stop" : "\u25b6 Listen";
    listenButton.setAttribute("aria-pressed", on);
  };
  let chosen = hall.sounds[0];
  if (hall.sounds.length > 1) {
    const choice = html("select", { "aria-label": "Sound" }, ...hall.sounds.map(name => html("option", {}, name)));
    choice.addEventListener("change", () => {
      chosen = choice.value;
      if (player.playing) { player.stop(); startSound(); }
    });
    row.append(choice);
  }
  function startSound() {
    showPlaying(true);
    waiting = true;
    if (sounds[chosen]) play();
    else if (!dead) model.send({ sound: chosen });
  }
  function play() {
    waiting = false;
    player.start(sounds[chosen], hall.rate,
      resolve(model.get("told"), model.get("hands"), asked, sounding)).then(() => { sound(); });
  }
  const gotSound = (message, buffers) => {
    const bytes = buffers[0];
    sounds[message.sound] = new Int16Array(bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength));
    if (waiting && message.sound === chosen) play();
  };

  const updates = [];
  if (onFill("compare"))
    updates.push(group("", ["as it was", "as set"], () => asked.compare, word => ask({ compare: word })));
  if (onFill("sounding"))
    updates.push(group("Hear", ["all", "mains alone", "fills alone"], () => sounding, word => { sounding = word; sound(); }));
  if (Object.keys(hall.fills).length > 1) {
    const choice = html("select", {}, ...Object.entries(hall.fills).map(
      ([name, outputs]) => html("option", { value: name }, outputs.join(", "))));
    choice.addEventListener("change", () => ask({ fill: choice.value }));
    row.append(html("label", {}, "Fill ", choice));
    updates.push(() => { choice.value = asked.fill; });
  }
  const tick = (name, words, key) => {
    if (!onFill(name)) return;
    const box = html("input", { type: "checkbox" });
    box.addEventListener("change", () => ask({ [key]: box.checked, compare: "as set" }));
    row.append(html("label", {}, box, ` ${words}`));
    updates.push(() => { box.checked = asked[key]; });
  };
  tick("fill", "Fill on", "on");
  tick("polarity", "Polarity turned over", "inverted");
  for (const [name, [words, key, write]] of Object.entries(KNOBS)) {
    if (!onFill(name)) continue;
    const range = html("input", { type: "range", min: 0, step: 1 }), value = html("span", { class: "value" });
    range.addEventListener("input", () => ask({ [name]: Number(range.value), compare: "as set" }));
    knobs.append(html("label", {}, words, range, value));
    updates.push(() => {
      const table = model.get("hands")[key];
      range.max = table.length - 1;
      range.value = asked[name];
      value.textContent = write(table[asked[name]]);
      range.setAttribute("aria-valuetext", value.textContent);
    });
  }
  let clock = null;
  if (has("fronts")) {
    const label = html("div", { class: "knob" });
    const range = html("input", { type: "range", min: 0, step: 0.5, "aria-label": "Waves" });
    clock = { range, value: html("span", { class: "value" }) };
    clock.button = button("", () => run(!running), label);
    range.addEventListener("input", () => { run(false); time = Number(range.value); frame(); });
    label.append(range, clock.value);
    knobs.append(label);
  }
  const run = on => { running = on; if (clock) clock.button.textContent = on ? "Pause waves" : "Run waves"; };
  run(running);
  row.after(html("p", { class: "hint" }, "Drag the listener, or focus it and use the arrow keys. You hear the direct "
    + "sound alone, facing the stage: use headphones, start low."));

  let saying = 0;
  function show() {
    const now = state(), told = model.get("told");
    verdict.textContent = typeset(told.error ?? now.verdict);
    const softer = told.down_db > 0.5 ? ` Played ${told.down_db.toFixed(0)} dB softer here, so that it fits.` : "";
    detail.textContent = typeset(now.detail + softer);
    clearTimeout(saying);
    saying = setTimeout(() => { said.textContent = `${now.verdict} ${now.detail}`; }, 500);
    updates.forEach(update => update());
    plan.mark(now, hall.fills[asked.fill] ?? []);
    spikes.draw(now, hall);
    frame();
  }
  const span = () => {
    const now = state(), starts = now.sounds_at.filter(one => one !== null);
    const ends = now.arrivals.filter(Boolean).map(one => one[0]).concat([now.mains[0], now.late[0]].filter(one => one !== null));
    return starts.length ? [Math.min(...starts), Math.min(Math.max(...ends) + 20, Math.min(...starts) + 2000)] : [0, 100];
  };
  function frame() {
    if (!clock) return;
    const now = state(), [first, last] = span();
    if (time > last - first) time = 0;
    plan.sweep(first + time, now, waves);
    plan.pulse([now.mains[0], now.late[0]].some(one => one !== null && first + time >= one && first + time < one + 4));
    spikes.at(first + time);
    clock.range.max = last - first;
    clock.range.value = time;
    clock.value.textContent = `${time.toFixed(0)} ms`;
    clock.range.setAttribute("aria-valuetext", `${time.toFixed(0)} ms after the first sound left its box`);
  }
  let before = 0, ticking = requestAnimationFrame(function tickOn(stamp) {
    ticking = requestAnimationFrame(tickOn);
    const passed = Math.min(stamp - before, 100);
    before = stamp;
    // About six seconds for the whole way, whatever it is.
    if (running && clock && root.offsetParent) {
      const [first, last] = span();
      time += passed * (last - first) / 6000;
      frame();
    }
  });

  const gotTold = () => {
    const told = model.get("told");
    if (told.n >= asked.n) {
      asked = { ...asked, ...model.get("asked"), n: told.n };
      plan.place(...told.listener);
    } else plan.z = told.listener[2];
    sound();
    show();
  };
  const gotWaves = () => {
    const got = model.get("waves"), floats = part => new Float32Array(
      part.buffer.slice(part.byteOffset, part.byteOffset + part.byteLength));
    waves = got.plan ? { ...got, plan: floats(got.plan), section: floats(got.section) } : {};
    frame();
  };
  const resize = () => {
    root.classList.toggle("large", model.get("large"));
    plan.layout();
    if (model.get("told").states) show();
  };
  const kernelSays = (_, status) => {
    if (["dead", "restarting", "autorestarting", "terminating"].includes(status)) {
      dead = true;
      player.stop();
      if (!root.querySelector(".gone"))
        words.before(html("p", { class: "gone", role: "alert" }, "The kernel has stopped: run this cell again."));
    }
  };
  const otherSound = event => { if (event.target.play && player.playing) player.stop(); };
  const keys = event => {
    if (!(event.shiftKey && event.key === "Enter") && event.key !== "Escape" && !event.ctrlKey && !event.metaKey)
      event.stopPropagation();
  };
  const kernel = model.widget_manager?.kernel;
  model.on("change:told", gotTold);
  model.on("change:waves", gotWaves);
  model.on("change:large", resize);
  model.on("msg:custom", gotSound);
  kernel?.statusChanged?.connect(kernelSays);
  document.addEventListener("play", otherSound, true);
  root.addEventListener("keydown", keys);
  const watch = new ResizeObserver(resize);
  el.append(root);
  watch.observe(views);
  gotWaves();
  gotTold();
  return () => {
    player.stop();
    cancelAnimationFrame(ticking);
    clearTimeout(saying);
    watch.disconnect();
    kernel?.statusChanged?.disconnect(kernelSays);
    document.removeEventListener("play", otherSound, true);
    model.off("change:told", gotTold);
    model.off("change:waves", gotWaves);
    model.off("change:large", resize);
    model.off("msg:custom", gotSound);
  };
}

export default { render };
