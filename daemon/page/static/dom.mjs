// Elements without markup in strings: what comes from the daemon is text and stays it.

const svgNS = "http://www.w3.org/2000/svg";

function fill(node, props, children) {
  for (const [key, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key === "data") Object.assign(node.dataset, value);
    else if (key === "value" || key === "checked" || key === "selected") node[key] = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat().filter((c) => c !== undefined && c !== null && c !== false));
  return node;
}

// h makes an HTML element; props are attributes, on... listeners and data.
export const h = (tag, props, ...children) => fill(document.createElement(tag), props, children);

// s makes an SVG element.
export const s = (tag, props, ...children) => fill(document.createElementNS(svgNS, tag), props, children);

export const byID = (id) => document.getElementById(id);

// text sets a node's text where it changed, so that screen readers are not told again.
export function text(node, value) {
  if (node.textContent !== value) node.textContent = value;
}

// select is a labelled <select>. options are [value, label] pairs.
export function select(label, options, value, onchange) {
  const box = h("select", { onchange: (e) => onchange(e.target.value) });
  setOptions(box, options, value);
  return { node: h("label", {}, label + " ", box), box };
}

// setOptions replaces the options of a <select> and keeps its value where it still is one.
export function setOptions(box, options, value = box.value) {
  box.replaceChildren(...options.map(([v, label]) => h("option", { value: v, selected: v === value }, label)));
}

// colour is what a custom property of the theme comes to, for canvases.
const probe = h("span", { hidden: true });
let known = new Map();
export function colour(name) {
  if (!known.has(name)) {
    if (!probe.isConnected) document.body.append(probe);
    probe.style.color = `var(--${name})`;
    known.set(name, getComputedStyle(probe).color);
  }
  return known.get(name);
}
export function forgetColours() {
  known = new Map();
}

// seen tells whether a node is on the screen, so that nothing is drawn where nobody looks,
// and calls back when it comes there or goes.
export function seen(node, came = () => {}, went = () => {}) {
  const state = { visible: true };
  new IntersectionObserver((entries) => {
    state.visible = entries[entries.length - 1].isIntersecting;
    if (state.visible) came();
    else went();
  }).observe(node);
  return state;
}

// sizeOf is how many CSS pixels a canvas covers. To ask for that anew each time has the browser lay out the page for each
// canvas, in the middle of what is being written.
const sizes = new WeakMap();
const sizing = typeof ResizeObserver === "undefined" ? undefined : new ResizeObserver((all) => {
  for (const { target: t } of all) sizes.set(t, { w: t.clientWidth, h: t.clientHeight });
});
function sizeOf(canvas) {
  let size = sizes.get(canvas);
  if (!size) {
    sizes.set(canvas, (size = { w: canvas.clientWidth, h: canvas.clientHeight }));
    sizing?.observe(canvas);
  }
  return size;
}

// fit makes a canvas as many device pixels as it covers, and returns its 2D context with
// CSS pixels for units.
export function fit(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const { w, h: hgt } = sizeOf(canvas);
  if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(hgt * ratio)) {
    canvas.width = Math.round(w * ratio);
    canvas.height = Math.round(hgt * ratio);
  }
  const c = canvas.getContext("2d");
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  c.clearRect(0, 0, w, hgt);
  return { c, w, h: hgt };
}
