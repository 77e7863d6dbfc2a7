const GAP_S = 0.5; // a track out of sight for longer is drawn broken

/* Rows [frame index, id, …] as tracks: stretches of one id without a gap. */
function tracks(rows, run) {
  const open = new Map(), all = [];
  for (const row of rows) {
    const t = run.frames[row[0]][1], last = open.get(row[1]);
    if (last && t - last.to <= GAP_S) { last.rows.push(row); last.to = t; }
    else { const track = { id: row[1], rows: [row], to: t }; open.set(row[1], track); all.push(track); }
  }
  return all;
}
const zoneColour = zone => zone ? `var(--${zone.signal})` : "var(--zone)";
function said(run, index) {
  const verdict = run.frames[index][2];
  if (verdict !== "Obstacle") return verdict;
  const order = ["NOTICE", "CAUTION", "WARNING", "DANGER"];
  let word = "Obstacle", rank = -1;
  for (const d of run.byFrame[index]) {
    const zone = d[6] === null ? null : run.zones[d[6]];
    if (zone && order.indexOf(zone.signal) > rank) { rank = order.indexOf(zone.signal); word = zone.signal; }
  }
  return word;
}
function colourOf(word) {
  if (word === "Clear") return "var(--CLEAR)";
  if (word.startsWith("CannotTell")) return "var(--BLIND)";
  return word === "Obstacle" ? "var(--zone)" : `var(--${word})`;
}

/* Seen from above, the vehicle at the bottom, its right on the right. */
function plan(run) {
  const far = run.watch[0], half = run.watch[1], W = 360, pad = 26;
  const k = (W - 2 * pad) / (2 * half), H = far * k + 70;
  const X = side => W / 2 + side * k, Y = behind => H - 46 - behind * k;
  const s = svg("svg", { viewBox: `0 0 ${W} ${H.toFixed(0)}`, role: "img", "aria-label": "Plan of tracks over zones" });
  [...run.zones].reverse().forEach(zone => {
    const p = svg("path", { d: path(zone.corners.map(c => [X(c[1]), Y(c[0])])) + "Z", fill: zoneColour(zone), "fill-opacity": .16, stroke: zoneColour(zone) });
    p.append(svg("title", {}, `${zone.name}: ${zone.signal}`));
    s.append(p);
  });
  for (let m = 1; m <= far; m++) {
    s.append(svg("line", { x1: pad, x2: W - pad, y1: Y(m), y2: Y(m), class: "axis", "stroke-dasharray": "1 5" }));
    s.append(svg("text", { x: 2, y: Y(m) + 4 }, m + " m"));
  }
  s.append(svg("rect", { x: X(-run.width_m / 2), y: Y(0), width: run.width_m * k, height: 40, rx: 6, fill: "none", stroke: "var(--ink)" }));
  s.append(svg("text", { x: W / 2, y: Y(0) + 24, "text-anchor": "middle" }, "vehicle"));
  const clip = `plan${run.index}`;
  const defs = svg("clipPath", { id: clip });
  defs.append(svg("rect", { x: 0, y: 0, width: W, height: H }));
  const tracksLayer = svg("g", { "clip-path": `url(#${clip})` });
  for (const t of tracks(run.truths, run))
    tracksLayer.append(svg("path", { d: path(t.rows.map(r => [X(r[3]), Y(r[2])])), fill: "none", stroke: "var(--truth)", "stroke-width": 5, "stroke-opacity": .35, "stroke-linecap": "round" }));
  for (const t of tracks(run.detections, run))
    tracksLayer.append(svg("path", { d: path(t.rows.map(r => [X(r[3]), Y(r[2])])), fill: "none", stroke: "var(--track)", "stroke-width": 1.5 }));
  const now = svg("g", {});
  s.append(defs, tracksLayer, now);
  const show = index => {
    now.textContent = "";
    for (const t of run.trueByFrame[index]) {
      if (Y(t[2]) < 0) continue;
      now.append(svg("line", { x1: X(t[3] - t[4]), x2: X(t[3] + t[4]), y1: Y(t[2]), y2: Y(t[2]), stroke: "var(--truth)", "stroke-width": 6, "stroke-linecap": "round" }));
      now.append(svg("text", { x: Math.max(50, Math.min(W - 40, X(t[3]))), y: Y(t[2]) - 8, "text-anchor": "middle" }, run.classes[t[1]] || ""));
    }
    for (const d of run.byFrame[index]) {
      now.append(svg("line", { x1: X(d[3]), x2: X(d[3]), y1: Y(d[2] - 2 * d[4]), y2: Y(d[2] + 2 * d[4]), stroke: "var(--track)" }));
      now.append(svg("circle", { cx: X(d[3]), cy: Y(d[2]), r: 6, fill: d[6] === null ? "var(--track)" : zoneColour(run.zones[d[6]]), stroke: "var(--ink)" }));
    }
  };
  return { node: s, show };
}

/* Time along the width for ranges, verdicts and the buzzer alike. */
const TW = innerWidth < 640 ? 420 : 760, LEFT = 44, RIGHT = 10;
function timeScale(run) {
  const end = run.frames.length ? run.frames[run.frames.length - 1][1] : 1, span = end || 1;
  return { end: span, x: t => LEFT + (TW - LEFT - RIGHT) * t / span, back: x => (x - LEFT) / (TW - LEFT - RIGHT) * span };
}
function clickable(s, run, scale) {
  const seek = e => {
    const box = s.getBoundingClientRect();
    run.seek(run.indexAt(scale.back((e.clientX - box.left) / box.width * TW)));
  };
  s.addEventListener("pointerdown", seek);
  s.addEventListener("pointermove", e => { if (e.buttons) seek(e); });
}
function cursor(s, scale, H, run) {
  const line = svg("line", { y1: 0, y2: H, class: "cursor" });
  s.append(line);
  return index => { const x = scale.x(run.frames[index][1]); line.setAttribute("x1", x); line.setAttribute("x2", x); };
}
function ranges(run) {
  const H = 280, top = 8, bottom = 26, far = run.watch[0], scale = timeScale(run);
  const Y = m => top + (H - top - bottom) * (1 - Math.max(0, Math.min(far, m)) / far);
  const s = svg("svg", { viewBox: `0 0 ${TW} ${H}`, role: "img", "aria-label": "Range against time" });
  for (const m of ticks(far, 5)) {
    s.append(svg("line", { x1: LEFT, x2: TW - RIGHT, y1: Y(m), y2: Y(m), class: "axis" }));
    s.append(svg("text", { x: LEFT - 6, y: Y(m) + 4, "text-anchor": "end" }, m + " m"));
  }
  for (const t of ticks(scale.end, TW / 95)) s.append(svg("text", { x: scale.x(t), y: H - 8, "text-anchor": "middle" }, t + " s"));
  const at = r => scale.x(run.frames[r[0]][1]);
  for (const t of tracks(run.truths.filter(r => r[2] <= far && r[2] > -.5), run)) {
    const p = svg("path", { d: path(t.rows.map(r => [at(r), Y(r[2])])), fill: "none", stroke: "var(--truth)", "stroke-width": 2, "stroke-dasharray": "6 4" });
    p.append(svg("title", {}, `truth: ${run.classes[t.id] || t.id}`));
    s.append(p);
  }
  for (const t of tracks(run.detections, run)) {
    const up = t.rows.map(r => [at(r), Y(r[2] + 2 * r[4])]), down = t.rows.map(r => [at(r), Y(r[2] - 2 * r[4])]).reverse();
    s.append(svg("path", { d: path(up.concat(down)) + "Z", fill: "var(--track)", "fill-opacity": .15 }));
    const line = t.rows.length > 1
      ? svg("path", { d: path(t.rows.map(r => [at(r), Y(r[2])])), fill: "none", stroke: "var(--track)", "stroke-width": 1.8 })
      : svg("circle", { cx: at(t.rows[0]), cy: Y(t.rows[0][2]), r: 2, fill: "var(--track)" });
    line.append(svg("title", {}, `obstacle ${t.id}`));
    s.append(line);
  }
  clickable(s, run, scale);
  return { node: s, show: cursor(s, scale, H - bottom, run) };
}
function timeline(run) {
  const H = 92, scale = timeScale(run), n = run.frames.length;
  const s = svg("svg", { viewBox: `0 0 ${TW} ${H}`, role: "img", "aria-label": "Verdicts and buzzer over time" });
  s.append(svg("text", { x: 0, y: 22 }, "said"), svg("text", { x: 0, y: 58 }, "sound"));
  for (let i = 0; i < n;) {
    const word = said(run, i);
    let j = i;
    while (j < n && said(run, j) === word) j++;
    const x0 = scale.x(run.frames[i][1]), x1 = scale.x(j < n ? run.frames[j][1] : scale.end);
    const bar = svg("rect", { x: x0, y: 6, width: Math.max(.5, x1 - x0), height: 24, fill: colourOf(word) });
    bar.append(svg("title", {}, `${word}, ${run.frames[i][1].toFixed(2)} s`));
    s.append(bar);
    i = j;
  }
  run.edges.forEach((edge, i) => {
    if (!edge[1]) return;
    const x0 = scale.x(edge[0]), x1 = scale.x(i + 1 < run.edges.length ? run.edges[i + 1][0] : scale.end);
    const bar = svg("rect", { x: x0, y: 42, width: Math.max(.5, x1 - x0), height: 22, fill: "var(--SOUND)" });
    bar.append(svg("title", {}, `${edge[2]} Hz from ${edge[0].toFixed(2)} s`));
    s.append(bar);
  });
  for (const t of ticks(scale.end, TW / 95)) s.append(svg("text", { x: scale.x(t), y: H - 8, "text-anchor": "middle" }, t + " s"));
  clickable(s, run, scale);
  return { node: s, show: cursor(s, scale, 66, run) };
}
function histogram(title, values, unit, limit) {
  const W = 360, H = 170, bins = 21, counts = new Array(bins).fill(0);
  for (const v of values) counts[Math.max(0, Math.min(bins - 1, Math.floor((v + limit) / (2 * limit) * bins)))]++;
  const most = Math.max(1, ...counts), w = (W - 20) / bins;
  const s = svg("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": title });
  counts.forEach((c, i) => {
    const h = c / most * (H - 40);
    const bar = svg("rect", { x: 10 + i * w + .5, y: H - 24 - h, width: w - 1, height: h, fill: "var(--track)" });
    bar.append(svg("title", {}, `${c} frames`));
    s.append(bar);
  });
  s.append(svg("line", { x1: W / 2, x2: W / 2, y1: 6, y2: H - 24, class: "cursor" }));
  for (const [x, v, a] of [[10, -limit, "start"], [W / 2, 0, "middle"], [W - 10, limit, "end"]])
    s.append(svg("text", { x, y: H - 8, "text-anchor": a }, (v > 0 ? "+" : "") + v + (v ? " " + unit : "")));
  return el("div", { class: "card" }, el("h3", {}, title), s);
}

function figures(run) {
  const f = run.figures, box = el("div", { class: "figures" });
  const add = (name, value) => box.append(el("div", {}, el("span", { class: "dim" }, name), el("b", {}, value)));
  const count = kind => run.events.filter(e => e.kind === kind).length;
  add("frames", String(run.frames.length));
  add("changes of verdict", String(count("change")));
  if (!f) { add("truth", "none"); return box; }
  const pct = v => v === null ? "–" : (100 * v).toFixed(1) + " %", num = (v, d, u) => v === null ? "–" : v.toFixed(d) + u;
  add("seen when due", pct(f.recall));
  add("nearest is right", pct(f.nearest_right));
  add("alarm frames a minute", num(f.alarms_per_min, 1, ""));
  add("range error, median", num(f.range_median_pct, 1, " %"));
  add("range error, 95 of 100", num(f.range_p95_pct, 1, " %"));
  add("bias", num(f.range_bias_pct, 1, " %"));
  add("never announced", String(f.never_announced.length));
  if (f.faults) add("faults told", `${f.faults_caught} of ${f.faults}`);
  return box;
}
function strip(run, numbers) {
  const box = el("div", { class: "strip" });
  const list = numbers.map(number => {
    const index = run.indexOf.get(number);
    const figure = el("figure", { id: `run${run.index}-frame${number}`, tabindex: 0, onclick: () => run.seek(index), onkeydown: e => { if (e.key === "Enter") run.seek(index); } },
      el("img", { src: run.pictures[number], alt: `Frame ${number}`, loading: "lazy" }),
      el("figcaption", {}, `${run.frames[index][1].toFixed(2)} s · ${said(run, index)}`));
    box.append(figure);
    return [index, figure];
  });
  return { node: box, show: index => list.forEach(([i, f]) => f.classList.toggle("on", i === index)) };
}
function events(run) {
  const list = el("ul", { class: "events" }), tabs = el("div", { class: "tabs key" });
  const names = { all: "All", alarm: "Alarms for nothing", miss: "Misses", change: "Changes" };
  const fill = kind => {
    list.textContent = "";
    const rows = run.events.filter(e => kind === "all" || e.kind === kind);
    for (const e of rows) {
      const go = ev => { ev.preventDefault(); run.seek(run.indexOf.get(e.frame)); run.picture.scrollIntoView({ block: "nearest" }); };
      list.append(el("li", {}, el("a", { href: `#run${run.index}-frame${e.frame}`, onclick: go },
        el("span", { class: "kind " + e.kind }, e.kind), el("span", { class: "t" }, e.from_s.toFixed(2) + " s"),
        el("span", {}, e.text + (e.frames > 1 ? ` (${e.frames} frames)` : "")))));
    }
    if (!rows.length) list.append(el("li", {}, el("span", { class: "dim" }, run.figures || kind === "change" ? "none" : "needs truth")));
    for (const b of tabs.children) b.setAttribute("aria-pressed", b.dataset.kind === kind);
  };
  for (const kind of Object.keys(names)) {
    const n = run.events.filter(e => kind === "all" || e.kind === kind).length;
    tabs.append(el("button", { type: "button", "data-kind": kind, onclick: () => fill(kind) }, `${names[kind]} ${n}`));
  }
  fill(run.events.some(e => e.kind !== "change") ? "all" : "change");
  return [tabs, list];
}

function show(run, index) {
  run.index = index;
  run.indexOf = new Map(run.frames.map((f, i) => [f[0], i]));
  run.byFrame = run.frames.map(() => []);
  run.trueByFrame = run.frames.map(() => []);
  for (const d of run.detections) run.byFrame[d[0]].push(d);
  for (const t of run.truths) run.trueByFrame[t[0]].push(t);
  run.indexAt = t => { let best = 0; run.frames.forEach((f, i) => { if (Math.abs(f[1] - t) < Math.abs(run.frames[best][1] - t)) best = i; }); return best; };
  const root = el("section", { class: "run", id: `run${index}` });
  root.append(el("h2", {}, run.name), el("p", { class: "dim" }, `clip ${run.clip} · profile ${run.profile}`), figures(run));
  if (!run.frames.length) { root.append(el("p", {}, "No frames.")); return root; }
  const slider = el("input", { type: "range", min: 0, max: run.frames.length - 1, value: 0, "aria-label": "Frame", oninput: () => run.seek(+slider.value) });
  const out = el("output", {});
  const step = by => run.seek(Math.max(0, Math.min(run.frames.length - 1, +slider.value + by)));
  root.append(el("div", { class: "now" }, el("button", { type: "button", "aria-label": "One frame back", onclick: () => step(-1) }, "‹"), slider,
    el("button", { type: "button", "aria-label": "One frame on", onclick: () => step(1) }, "›"), out));
  const numbers = Object.keys(run.pictures).map(Number).sort((a, b) => a - b);
  const views = [plan(run), ranges(run), timeline(run), strip(run, numbers)];
  const image = el("img", { alt: "" }), stage = el("img", { alt: "Stages of the seeing" }), caption = el("figcaption", {});
  run.picture = el("figure", {}, image, stage, caption);
  const grid = el("div", { class: "grid" });
  grid.append(
    el("div", { class: "card" }, el("h3", {}, "From above"), views[0].node,
      el("div", { class: "key" }, ...key([["var(--track)", "reported, ± 2 deviations"]].concat(run.figures ? [["var(--truth)", "truth"]] : [])))),
    el("div", { class: "card" }, el("h3", {}, "Picture"), run.picture),
    el("div", { class: "card wide" }, el("h3", {}, "Range against time"), views[1].node,
      el("div", { class: "key" }, ...key([["var(--track)", "reported range, band of 2 standard deviations"]].concat(run.figures ? [["var(--truth)", "truth (dashed)"]] : [])))),
    el("div", { class: "card wide" }, el("h3", {}, "What was said, and the buzzer"), views[2].node,
      el("div", { class: "key" }, ...key([["var(--CLEAR)", "clear"], ["var(--NOTICE)", "NOTICE"], ["var(--CAUTION)", "CAUTION"], ["var(--WARNING)", "WARNING"], ["var(--DANGER)", "DANGER"], ["var(--zone)", "held"], ["var(--BLIND)", "cannot tell"], ["var(--SOUND)", "sounding"]]))),
    el("div", { class: "card wide" }, el("h3", {}, "Pictures at alarms, misses and changes of verdict"), numbers.length ? views[3].node : el("p", { class: "dim" }, "none kept")),
    el("div", { class: "card wide" }, el("h3", {}, "Events"), ...events(run)));
  if (run.errors.length) {
    const shares = run.errors.map(e => 100 * e[2] / e[1]);
    grid.append(histogram("Range error, centimetres (negative: reported nearer)", run.errors.map(e => 100 * e[2]), "cm", 50),
      histogram("Range error, percent of the true range", shares, "%", 25));
  }
  root.append(grid);
  run.seek = at => {
    slider.value = at;
    const frame = run.frames[at];
    out.textContent = `frame ${frame[0]} · ${frame[1].toFixed(2)} s · ${said(run, at)}`;
    views.forEach(v => v.show(at));
    const shown = numbers.filter(n => n <= frame[0]).pop();
    const number = shown === undefined ? numbers[0] : shown;
    image.hidden = number === undefined;
    if (number !== undefined) image.src = run.pictures[number];
    stage.hidden = !(number in run.stages);
    if (!stage.hidden) stage.src = run.stages[number];
    caption.textContent = number === undefined ? "no pictures kept" :
      (number === frame[0] ? `frame ${number}` : `nearest picture kept: frame ${number}`) + (run.annotated ? ", as the driver saw it" : ", as the camera gave it");
  };
  run.seek(0);
  return root;
}

const runs = document.getElementById("main");
DATA.runs.forEach((run, i) => runs.append(show(run, i)));
if (location.hash) {
  const m = location.hash.match(/^#run(\d+)-frame(\d+)$/), run = m && DATA.runs[+m[1]];
  if (run && run.indexOf.has(+m[2])) run.seek(run.indexOf.get(+m[2]));
}
