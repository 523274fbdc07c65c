// The phases of the bus as everything draws them: in the colours of the tokens, and with lines over them, by which those
// tell them apart who see no colours.

import { h, s } from "./dom.mjs";

export const PHASES = ["SELECT", "WRITE", "LOAD", "SHARE", "SETTLE", "CONVERT"];
export const phaseText = { SELECT: "select", WRITE: "write", LOAD: "load", SHARE: "share", SETTLE: "settle", CONVERT: "convert" };
// The angles of the lines, in degrees from across, rising to the right.
const HATCH = { SELECT: [0], WRITE: [45], LOAD: [90], SHARE: [135], SETTLE: [], CONVERT: [45, 135] };
const PATHS = { 0: "M0 2h4", 45: "M-1 1l2 -2M0 4l4 -4M3 5l2 -2", 90: "M2 0v4", 135: "M-1 3l2 2M0 0l4 4M3 -1l2 2" };
const LEAST = 4; // pixels, below which lines would only be dirt

// patterns puts the lines into the document, once.
export function patterns() {
  document.body.append(s("svg", { width: 0, height: 0, class: "patterns", "aria-hidden": "true" }, s("defs", {},
    PHASES.filter((p) => HATCH[p].length).map((p) => s("pattern", { id: "hatch-" + phaseText[p], width: 4, height: 4, patternUnits: "userSpaceOnUse" },
      HATCH[p].map((deg) => s("path", { d: PATHS[deg], class: "hatch" })))))));
}

// phaseRects are the rectangles of a phase, named as in phaseText.
export function phaseRects(name, x, y, width, height) {
  const rect = (props) => s("rect", { x, y, width, height, ...props });
  const lined = width >= LEAST && height >= LEAST && HATCH[name.toUpperCase()]?.length;
  return [rect({ class: "fill-" + name }), ...(lined ? [rect({ fill: `url(#hatch-${name})`, "pointer-events": "none" })] : [])];
}

// swatch is a small sample of a phase.
export const swatch = (phase) => s("svg", { class: "key", viewBox: "0 0 13 13", "aria-hidden": "true" }, phaseRects(phaseText[phase], 0, 0, 13, 13));

export function legend() {
  return h("ul", { class: "legend", "aria-label": "Colours and lines of what the bus does" },
    PHASES.map((p) => h("li", {}, swatch(p), phaseText[p])),
    h("li", {}, s("svg", { class: "key", viewBox: "0 0 13 13", "aria-hidden": "true" }, s("path", { d: "M6.5 11l5 -8h-10z", class: "tt-tiny" })), "too short to draw to scale"));
}
