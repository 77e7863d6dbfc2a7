/* Recall against alarms: one chart for the searched clips, one for those kept back,
   on the same scales, so that a point can be found again. */
const W = innerWidth < 640 ? 380 : 560, H = 340, LEFT = 50, RIGHT = 16, TOP = 24, BOTTOM = 48;
const POINTS = DATA.points, KEYS = POINTS.length ? Object.keys(POINTS[0].values) : [];
const NOW = POINTS.find(p => p.role === "now"), PROPOSED = POINTS.find(p => p.role === "proposed");
const PARTS = [["searched", "Clips that were searched"], ["held_back", "Clips that were kept back"]];
const SHOWN = [];

const alarms = f => f.alarms_per_min, recall = f => 100 * f.recall;
const said = f => `${recall(f).toFixed(1)} % seen, ${alarms(f).toFixed(1)} alarm frames a minute`;
const settings = p => KEYS.map(k => `${k} = ${p.values[k]}`);

/* Round ticks that enclose all values. */
function enclosing(values, most, want) {
  const low = Math.min(...values), high = Math.max(...values);
  const step = tickStep(Math.max(high - low, most / 20), want), out = [];
  const from = Math.floor(low / step + 1e-9), to = Math.max(from + 1, Math.ceil(high / step - 1e-9));
  for (let i = from; i <= to; i++) out.push(+(i * step).toFixed(6));
  return out;
}
const figuresOf = POINTS.flatMap(p => [p.searched, p.held_back]);
const XS = enclosing([0, 1, ...figuresOf.map(alarms)], 20, W / 90), YS = enclosing(figuresOf.map(recall), 100, 6);
const X = v => LEFT + (W - LEFT - RIGHT) * v / XS[XS.length - 1];
const Y = v => H - BOTTOM - (H - TOP - BOTTOM) * (v - YS[0]) / (YS[YS.length - 1] - YS[0]);

function chart(part, title) {
  const s = svg("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": title, id: part });
  const at = p => [X(alarms(p[part])), Y(recall(p[part]))];
  for (const m of YS) {
    s.append(svg("line", { x1: LEFT, x2: W - RIGHT, y1: Y(m), y2: Y(m), class: "axis", "data-recall": m }));
    s.append(svg("text", { x: LEFT - 6, y: Y(m) + 4, "text-anchor": "end" }, m + " %"));
  }
  for (const m of XS) {
    s.append(svg("line", { x1: X(m), x2: X(m), y1: TOP, y2: H - BOTTOM, class: "axis", "data-alarms": m }));
    s.append(svg("text", { x: X(m), y: H - BOTTOM + 16, "text-anchor": "middle" }, m));
  }
  s.append(svg("text", { x: LEFT - 44, y: 12 }, "recall: frames of a thing due in which it was seen, %"));
  s.append(svg("text", { x: W - RIGHT, y: H - 10, "text-anchor": "end" }, "alarm frames a minute of clear path"));
  const [x, y] = at(NOW);
  const room = svg("rect", { x: LEFT, y: TOP, width: x - LEFT, height: y - TOP, fill: "var(--track)", "fill-opacity": .08 });
  room.append(svg("title", {}, "no worse than now"));
  s.append(room);
  if (part === "searched")
    s.append(svg("path", { d: path(POINTS.filter(p => p.on_curve).map(at)), class: "curve" }));
  /* What is named is drawn last. */
  const order = POINTS.map((p, i) => [p, i]).sort((a, b) => a[0].role.length - b[0].role.length);
  for (const [p, i] of order) {
    const dot = svg("circle", { cx: at(p)[0], cy: at(p)[1], r: p.role ? 7 : 4, "data-point": i, class: `point ${p.role || (p.on_curve ? "best" : "")}` });
    dot.append(svg("title", {}, [p.role, said(p[part]), ...settings(p)].filter(t => t).join("\n")));
    s.append(dot);
  }
  for (const [p, off] of [[PROPOSED, [6, -12]], [NOW, [12, 5]]]) {
    if (!p) continue;
    const side = at(p)[0] < .7 * W ? 1 : -1;
    s.append(svg("text", { x: at(p)[0] + side * off[0], y: at(p)[1] + off[1], "text-anchor": side > 0 ? "start" : "end", class: "name" }, p.role));
  }
  /* A finger is wider than a point: the nearest one is meant. */
  s.addEventListener("click", e => {
    const box = s.getBoundingClientRect(), k = W / box.width;
    const off = p => Math.hypot((e.clientX - box.left) * k - at(p)[0], (e.clientY - box.top) * k - at(p)[1]);
    select(POINTS.indexOf(POINTS.reduce((a, b) => off(b) < off(a) ? b : a)));
  });
  SHOWN.push(...s.querySelectorAll(".point"));
  return s;
}

function select(index) {
  const p = POINTS[index];
  SHOWN.forEach(node => node.classList.toggle("on", +node.dataset.point === index));
  detail.textContent = "";
  detail.append(el("b", {}, p.role || (p.on_curve ? "on the curve" : "beaten by a point of the curve")), ` · searched: ${said(p.searched)} · kept back: ${said(p.held_back)} · ${settings(p).join(", ")}`);
}

function table() {
  const head = el("tr", {}, el("th", {}, ""), ...["seen", "alarms / min", "seen, kept back", "alarms / min, kept back"].map(t => el("th", {}, t)),
    ...KEYS.map(k => el("th", { title: k }, k.split(".").pop())));
  const body = POINTS.map((p, i) => {
    const cells = PARTS.flatMap(([part]) => [recall(p[part]).toFixed(1) + " %", alarms(p[part]).toFixed(1)]);
    const row = el("tr", { "data-point": i, tabindex: 0, onclick: () => select(i), onkeydown: e => { if (e.key === "Enter") select(i); } },
      el("td", {}, p.role || (p.on_curve ? "curve" : "")), ...cells.map(c => el("td", {}, c)),
      ...KEYS.map(k => el("td", { class: p.values[k] === NOW.values[k] ? "" : "changed" }, String(p.values[k]))));
    SHOWN.push(row);
    return row;
  });
  return el("div", { class: "scroll" }, el("table", {}, el("thead", {}, head), el("tbody", {}, ...body)));
}

function figures(part) {
  const box = el("div", { class: "figures" });
  for (const [name, value] of [["seen when due", f => recall(f).toFixed(1) + " %"], ["alarm frames a minute", f => alarms(f).toFixed(1)], ["never announced", f => `${f.never_announced.length} of ${f.obstacles}`]])
    box.append(el("div", {}, el("span", { class: "dim" }, name), el("b", {}, value(NOW[part]) + (PROPOSED ? " → " + value(PROPOSED[part]) : ""))));
  return box;
}

function changes() {
  if (!PROPOSED) return el("p", {}, "Nothing that holds on the clips kept back is better: no proposal.");
  return el("div", { class: "scroll" }, el("table", { id: "changes" }, el("thead", {}, el("tr", {}, ...["", "now", "proposed"].map(t => el("th", {}, t)))),
    el("tbody", {}, ...DATA.changes.map(c => el("tr", {}, ...[c.key, c.now, c.proposed].map(v => el("td", {}, String(v))))))));
}

const detail = el("p", { id: "detail", role: "status" });
const content = f => `${(60 * f.clear_min).toFixed(1)} s of clear path, ${f.obstacles} ${f.obstacles === 1 ? "thing" : "things"} due`;
document.getElementById("main").append(
  el("p", { class: "dim" }, `profile ${DATA.profile}` + (DATA.proposal ? ` · proposal ${DATA.proposal}` : "")),
  el("div", { class: "grid pair" }, ...PARTS.map(([part, title]) => el("div", { class: "card" }, el("h3", {}, title), figures(part), chart(part, title),
    el("p", { class: "dim" }, `${content(NOW[part])}: ${DATA["clips_" + part].join(", ")}`))),
    el("div", { class: "card wide" }, detail,
      el("div", { class: "key" }, ...key([["var(--ink)", "now (ring)"], ["var(--track)", "proposed, and the curve: no other point sees as much with fewer alarms"], ["var(--zone)", "beaten by a point of the curve"], ["color-mix(in srgb, var(--track) 15%, var(--card))", "no worse than now: a proposal lies here in both charts"]]))),
    el("div", { class: "card wide" }, el("h3", {}, "What the proposal changes"), changes()),
    el("div", { class: "card wide" }, el("h3", {}, `All ${POINTS.length} points, by rising alarms`), table())));
select(POINTS.indexOf(PROPOSED || NOW));
