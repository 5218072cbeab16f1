// The page: which view is open, and the stream that keeps it alive across restarts of the daemon.
import { After } from "./after.js";
import { Before } from "./before.js";
import { Locked, ask, make, say, word } from "./dom.js";
import { Now } from "./now.js";

const views = { now: new Now(), before: new Before(), after: new After() };
const pulse = document.getElementById("pulse");
const main = document.getElementById("main");
let latest = null;
let stream = null;

function alive(yes, text) {
  say(pulse, text);
  document.body.classList.toggle("away", !yes);
}

function logIn() {
  const token = make("input", { id: "token", type: "password", autocomplete: "current-password", required: true });
  const form = make("form", { class: "log-in" },
    make("h1", {}, "Log in"),
    make("p", {}, "The token stands in the file token in the folder of the takes, on the computer that lapsed runs on."),
    make("label", { for: "token" }, "Token"), token, make("button", {}, "Log in"));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      await ask("/log-in", { token: token.value });
      listen();
      route();
    } catch (error) {
      word(error.message);
    }
  });
  main.replaceChildren(form);
  alive(false, "not logged in");
}

async function route() {
  const [name, rest] = location.hash.slice(1).split("/");
  const view = name in views ? name : "now";
  for (const link of document.querySelectorAll("nav a")) {
    if (link.hash === `#${view}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (!latest) return;
  if (main.firstChild !== views[view].element) main.replaceChildren(views[view].element);
  document.title = `lapsed, ${view}`;
  try {
    if (view === "after") await views.after.open(rest ? decodeURIComponent(rest) : null, latest);
    if (view === "before") await views.before.open(latest);
  } catch (error) {
    if (error instanceof Locked) logIn();
    else word(error.message);
  }
}

function heard(now) {
  const first = latest === null;
  latest = now;
  alive(true, "live");
  views.now.update(now);
  views.after.update(now);
  if (first) route();
}

function listen() {
  if (stream) stream.close();
  stream = new EventSource("/api/now/stream");
  stream.onmessage = (event) => heard(JSON.parse(event.data));
  stream.onerror = async () => {
    alive(false, "lapsed does not answer; trying again");
    if (stream.readyState !== EventSource.CLOSED) return;
    try {
      await ask("/api/now");
      setTimeout(listen, 1000);
    } catch (error) {
      if (error instanceof Locked) logIn();
      else setTimeout(listen, 2000);
    }
  };
}

addEventListener("hashchange", () => { route(); main.focus(); });
listen();
route();
