/* What all pages share: the data, elements, ticks, a key, cautions, light and dark. */
"use strict";
const DATA = JSON.parse(document.getElementById("data").textContent);
const NS = "http://www.w3.org/2000/svg";

function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [k, v] of Object.entries(attributes || {})) {
    if (k.startsWith("on")) node.addEventListener(k.slice(2), v); else node.setAttribute(k, v);
  }
  node.append(...children);
  return node;
}
function svg(tag, attributes, text) {
  const node = document.createElementNS(NS, tag);
  for (const [k, v] of Object.entries(attributes || {})) node.setAttribute(k, v);
  if (text !== undefined) node.textContent = text;
  return node;
}
function path(points) { return points.map((p, i) => (i ? "L" : "M") + p[0].toFixed(1) + " " + p[1].toFixed(1)).join(""); }
/* A round distance between ticks, about `want` of them. */
function tickStep(span, want) {
  const raw = span / want, base = Math.pow(10, Math.floor(Math.log10(raw || 1)));
  return [1, 2, 5, 10].map(m => m * base).find(s => s >= raw) || 1;
}
function ticks(most, want) {
  const step = tickStep(most, want), out = [];
  for (let i = 0; i * step <= most + 1e-9; i++) out.push(+(i * step).toFixed(6));
  return out;
}
function key(pairs) {
  return pairs.map(([colour, name]) => el("span", {}, el("i", { style: `background:${colour}` }), name));
}

document.getElementById("cautions").append(...DATA.cautions.map(c => el("li", {}, c)));
document.getElementById("theme").addEventListener("click", () => {
  const root = document.documentElement, dark = root.classList.contains("dark") ||
    (!root.classList.contains("light") && matchMedia("(prefers-color-scheme: dark)").matches);
  root.classList.toggle("dark", !dark);
  root.classList.toggle("light", dark);
});
