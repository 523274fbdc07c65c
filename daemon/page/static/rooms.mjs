// The three rooms of the page, each with an address of its own: what is seen, what is changed, and what the array is made
// of. A part of the page says in its markup in which rooms it stands; one that stands in two is the same part.

import { byID, h, text } from "./dom.mjs";

export const rooms = { watch: "Watch", change: "Change", build: "Build" };
const first = "watch";
let app;

export const room = () => document.body.dataset.room;
const named = (path) => (path.slice(1) in rooms ? path.slice(1) : first);
const sections = () => [...document.querySelectorAll("main > section")];
const stands = (node, in_) => node.dataset.rooms.split(" ").includes(in_);

export function start(a) {
  app = a;
  for (const link of byID("rooms").children) {
    link.addEventListener("click", (e) => {
      if (e.ctrlKey || e.metaKey || e.shiftKey || e.button) return; // in a window of its own, as any link
      e.preventDefault();
      go(link.dataset.room);
    });
  }
  // A link to a part leads to the room that it stands in.
  document.addEventListener("click", (e) => {
    const id = e.target.closest('a[href^="#"]')?.getAttribute("href").slice(1);
    if (!id) return;
    e.preventDefault();
    reveal(id);
  });
  window.addEventListener("popstate", () => enter(named(location.pathname)));
  app.hub.on("array", title);
  enter(named(location.pathname));
}

// go enters a room, so that the browser's way back leads to the one before.
export function go(name) {
  if (name !== room()) history.pushState(null, "", "/" + name);
  enter(name);
  window.scrollTo(0, 0);
}

// reveal brings a part into the window, and gives it the keyboard.
export function reveal(id) {
  const node = byID(id), section = node.closest("main > section");
  if (section && !stands(section, room())) go(section.dataset.rooms.split(" ")[0]);
  node.scrollIntoView();
  node.focus({ preventScroll: true });
}

// again lists the parts anew, where one came or went.
export const again = () => enter(room());

function enter(name) {
  document.body.dataset.room = name;
  for (const link of byID("rooms").children) {
    if (link.dataset.room === name) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  const label = (s) => byID(s.getAttribute("aria-labelledby")).dataset.short ?? s.querySelector("h2").textContent;
  byID("parts").replaceChildren(...sections().filter((s) => stands(s, name) && !s.hidden && s.id !== "health" && s.id !== "chip")
    .map((s) => h("a", { href: "#" + s.id }, label(s))));
  title();
  app.hub.emit("room", name);
}

function title() {
  document.title = [rooms[room()], app.array?.name, "facetd"].filter(Boolean).join(" · ");
  text(byID("array-name"), app.array?.name ?? "");
}
