// The panorama: the newest picture of every chip drawn where it looks, with its lens and roll, on one picture of the
// sphere, by the GPU of the browser or what stands in for it. Where views overlap their mean is shown.

import { call } from "./api.mjs";
import { byID, h, text } from "./dom.mjs";
import { axis, coverage, mesh, placeOf, views } from "./sphere.mjs";
import { median } from "./stats.mjs";

const CELLS = 90; // of a view, from top to bottom: two degrees, within which a lens is straight enough
const EACH_MS = 100; // between two drawings
const TOLD_MS = 1000; // between two texts of how it goes
const MOST_WIDE = 1024; // pixels of the picture
// Each view adds a quarter of its grey to the colours and a quarter to the alpha: their ratio is the mean of up to four.
const PART = 0.25;

const CHIP = `attribute vec4 corner; varying vec2 at;
void main() { at = corner.zw; gl_Position = vec4(2.0 * corner.x - 1.0, 1.0 - 2.0 * corner.y, 0.0, 1.0); }`;
const PIXELS = `precision highp float; varying vec2 at; uniform sampler2D codes; uniform vec4 place; uniform float part;
void main() { vec2 p = (at - place.xy) / place.zw;
  if (p.x < 0.0 || p.y < 0.0 || p.x >= 1.0 || p.y >= 1.0) discard;
  vec4 c = texture2D(codes, p); if (c.a < 0.5) discard; gl_FragColor = vec4(c.rgb * part, part); }`;
const WHOLE = `attribute vec2 corner; varying vec2 at;
void main() { at = corner; gl_Position = vec4(2.0 * corner - 1.0, 0.0, 1.0); }`;
// Where nothing looks there are stripes; where views overlap there are dots, if asked for.
const SHOW = `precision highp float; varying vec2 at; uniform sampler2D sum; uniform vec3 ground, stripe, dot; uniform float disc, dots;
void main() { vec4 c = texture2D(sum, at);
  if (disc > 0.5 && distance(at, vec2(0.5)) > 0.5) { gl_FragColor = vec4(0.0); return; }
  if (c.a < 0.1) { float s = mod(gl_FragCoord.x + gl_FragCoord.y, 12.0); gl_FragColor = vec4(s < 1.0 ? stripe : ground, 1.0); return; }
  vec3 v = c.rgb / c.a; vec2 g = mod(gl_FragCoord.xy, 6.0);
  if (dots > 0.5 && c.a > 0.4 && g.x < 2.0 && g.y < 2.0) v = dot;
  gl_FragColor = vec4(v, 1.0); }`;

let app, canvas, box, names, said, gl, chipProgram, wholeProgram, square, target, failed = "";
let view = "", geometry, digest = "", meshes = new Map(), last = 0, toldAt = 0, took = [], times = [], overlaps;

// start makes the panorama within a node; picturesOf gives, for a chip, its newest picture as RGBA, where it lies on the
// chip, and how old it looks.
export function start(a, node, choose) {
  app = a;
  canvas = h("canvas", { id: "panorama-canvas", role: "img", "aria-label": "Panorama" });
  names = h("div", { class: "names" });
  overlaps = h("input", { type: "checkbox", id: "panorama-overlaps" });
  said = h("p", { class: "small muted", id: "panorama-said" }); // no status: its figures change by the second
  box = h("div", { id: "panorama", hidden: true }, h("div", { class: "sky" }, canvas, names), h("label", { class: "small" }, overlaps, " dot where views overlap "), said);
  node.after(box);
  names.addEventListener("click", (e) => e.target.dataset.chip && choose(e.target.dataset.chip));
  app.hub.on("array", () => (digest = ""));
  app.hub.on("live", () => view && gl && learn()); // which a lost connection may have kept from being told
  canvas.addEventListener("webglcontextlost", (e) => {
    e.preventDefault(); // so that it is given back
    gl = target = undefined;
    meshes.clear();
    if (view) text(said, "Nothing is drawn: the browser has taken back what draws, and says when it can go on.");
  });
  canvas.addEventListener("webglcontextrestored", begin);
}

// show chooses a view of the sphere, or none ("").
export async function show(name) {
  view = name in views ? name : "";
  box.hidden = view === "";
  if (!view) return;
  meshes.clear();
  canvas.parentElement.style.setProperty("--ratio", views[view].ratio);
  if (!gl && !failed) begin();
  if (failed) return text(said, failed);
  await learn();
}

// learn takes the array's geometry, and tells what of the sphere is seen.
async function learn() {
  const of = app.array;
  if (digest === of.name && geometry) return label();
  let got;
  try {
    got = (await call("ArrayService", "GetGeometry")).geometry?.chips ?? [];
  } catch (e) {
    if (!e.code) console.error(e);
    return text(said, `The geometry of the array is not known: ${e.message}.`);
  }
  if (of !== app.array || !view) return; // whoever chose something else meanwhile has it told then
  geometry = got.filter((g) => g.rotation?.length === 9);
  digest = of.name;
  meshes.clear();
  label();
}

function label() {
  const c = coverage(geometry), part = (v) => `${(100 * v).toFixed(1)} %`;
  const told = `Of all directions ${part(c.none)} are seen by no chip (striped), ${part(c.one)} by one, ${part(c.several)} by several.`;
  canvas.setAttribute("aria-label", `Panorama of ${geometry.length} chips. ${told}`);
  box.dataset.coverage = told;
  names.replaceChildren(...geometry.map((g) => {
    const [x, y] = placeOf(view, axis(g)), node = h("button", { type: "button", class: "plain", tabindex: "-1", data: { chip: g.chip } }, g.chip);
    node.style.left = `${100 * x}%`;
    node.style.top = `${100 * y}%`;
    return node;
  }));
}

function begin() {
  gl = canvas.getContext("webgl", { alpha: true, antialias: false, depth: false });
  if (gl?.isContextLost()) return (gl = undefined); // it begins when that is given back
  if (!gl) {
    failed = "This browser draws no panorama: it has no WebGL, not even in software.";
    return;
  }
  chipProgram = program(CHIP, PIXELS);
  wholeProgram = program(WHOLE, SHOW);
  square = gl.createBuffer();
  gl.bindBuffer(gl.ARRAY_BUFFER, square);
  gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), gl.STATIC_DRAW);
}

function program(...sources) {
  const p = gl.createProgram();
  sources.forEach((source, i) => {
    const shader = gl.createShader([gl.VERTEX_SHADER, gl.FRAGMENT_SHADER][i]);
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    gl.attachShader(p, shader);
  });
  gl.bindAttribLocation(p, 0, "corner");
  gl.linkProgram(p);
  if (!gl.getProgramParameter(p, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(p) || "a shader cannot be linked");
  const at = {};
  for (let i = 0; i < gl.getProgramParameter(p, gl.ACTIVE_UNIFORMS); i++) {
    const { name } = gl.getActiveUniform(p, i);
    at[name] = gl.getUniformLocation(p, name);
  }
  return { p, at };
}

function texture(filter) {
  const t = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, t);
  for (const [k, v] of [[gl.TEXTURE_MIN_FILTER, filter], [gl.TEXTURE_MAG_FILTER, filter], [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]]) gl.texParameteri(gl.TEXTURE_2D, k, v);
  return t;
}

// size makes canvas and sum as many pixels as they cover, up to a limit.
function size() {
  const width = Math.max(1, Math.min(MOST_WIDE, Math.round(canvas.clientWidth * (devicePixelRatio || 1)))), height = Math.max(1, Math.round(width / views[view].ratio));
  if (target && canvas.width === width && canvas.height === height) return;
  canvas.width = width;
  canvas.height = height;
  if (target) {
    gl.deleteTexture(target.texture);
    gl.deleteFramebuffer(target.frame);
  }
  target = { texture: texture(gl.NEAREST), frame: gl.createFramebuffer() };
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, width, height, 0, gl.RGBA, gl.UNSIGNED_BYTE, null);
  gl.bindFramebuffer(gl.FRAMEBUFFER, target.frame);
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, target.texture, 0);
}

// draw draws what pictureOf says of each chip: { image, place, old }, or undefined; colours are the ground's tokens.
export function draw(now, pictureOf, colours) {
  if (!view || !gl || !geometry || document.hidden || now - last < EACH_MS || canvas.clientWidth === 0) return;
  last = now;
  const began = performance.now();
  size();
  gl.bindFramebuffer(gl.FRAMEBUFFER, target.frame);
  gl.viewport(0, 0, canvas.width, canvas.height);
  gl.clearColor(0, 0, 0, 0);
  gl.clear(gl.COLOR_BUFFER_BIT);
  gl.enable(gl.BLEND);
  gl.blendFunc(gl.ONE, gl.ONE);
  gl.useProgram(chipProgram.p);
  gl.uniform1f(chipProgram.at.part, PART);
  gl.enableVertexAttribArray(0);
  let made = 0, shown = 0;
  for (const g of geometry) {
    if (!meshes.has(g.chip) && made++ < 4) make(g); // a few at a time, so that nobody waits for all
    const m = meshes.get(g.chip), picture = m && pictureOf(g.chip);
    names.querySelector(`[data-chip="${CSS.escape(g.chip)}"]`)?.toggleAttribute("data-old", Boolean(!picture || picture.old));
    if (!picture) continue;
    one(m, picture);
    shown++;
  }
  whole(colours);
  took.push(performance.now() - began);
  times.push(now);
  while (times.length > 2 && now - times[0] > 3000) times.shift();
  took = took.slice(-60);
  const rate = times.length > 1 ? (1000 * (times.length - 1)) / (now - times[0]) : 0;
  box.dataset.shown = shown;
  box.dataset.rate = rate.toFixed(1);
  box.dataset.ms = median(took).toFixed(2);
  if (now - toldAt < TOLD_MS) return;
  toldAt = now;
  text(said, `${box.dataset.coverage} ${shown} of ${geometry.length} chips drawn, ${rate.toFixed(0)} times a second; ${median(took).toFixed(1)} ms of this page each.`);
}

function make(g) {
  const data = mesh(g, view, CELLS), buffer = gl.createBuffer();
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
  meshes.set(g.chip, { buffer, corners: data.length / 4, texture: texture(gl.NEAREST) });
}

function one(m, { image, place }) {
  gl.bindTexture(gl.TEXTURE_2D, m.texture);
  if (m.image !== image || m.version !== image.version) gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, image);
  m.image = image;
  m.version = image.version;
  gl.uniform4f(chipProgram.at.place, place.left, place.top, place.width, place.height);
  gl.bindBuffer(gl.ARRAY_BUFFER, m.buffer);
  gl.vertexAttribPointer(0, 4, gl.FLOAT, false, 0, 0);
  gl.drawArrays(gl.TRIANGLES, 0, m.corners);
}

// whole shows the sum.
function whole({ ground, stripe, dot }) {
  gl.bindFramebuffer(gl.FRAMEBUFFER, null);
  gl.disable(gl.BLEND);
  gl.useProgram(wholeProgram.p);
  gl.bindTexture(gl.TEXTURE_2D, target.texture);
  for (const [name, c] of Object.entries({ ground, stripe, dot })) gl.uniform3f(wholeProgram.at[name], c[0] / 255, c[1] / 255, c[2] / 255);
  gl.uniform1f(wholeProgram.at.disc, view === "ahead" ? 1 : 0);
  gl.uniform1f(wholeProgram.at.dots, overlaps.checked ? 1 : 0);
  gl.bindBuffer(gl.ARRAY_BUFFER, square);
  gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
  gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
}
