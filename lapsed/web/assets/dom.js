// Building the page: elements, words for figures, and asking the daemon.

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function span(seconds) {
  if (seconds === null || seconds === undefined) return "not known";
  const whole = Math.round(seconds);
  if (whole < 90) return `${whole} s`;
  const minutes = Math.round(whole / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

export function when(utc) {
  return utc ? new Date(utc).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" }) : "not known";
}

export function bytes(count) {
  if (count >= 1e9) return `${(count / 1e9).toFixed(1)} GB`;
  return count >= 1e6 ? `${(count / 1e6).toFixed(0)} MB` : `${Math.ceil(count / 1e3)} kB`;
}

let quiet;
export function word(text) {
  const place = document.getElementById("word");
  place.textContent = text;
  clearTimeout(quiet);
  quiet = setTimeout(() => (place.textContent = ""), 6000);
}

export class Locked extends Error {}

export async function ask(path, wish) {
  const options = wish === undefined ? {} : {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(wish),
  };
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error("lapsed does not answer; it may be starting again");
  }
  if (answer.status === 401 && path !== "/log-in") throw new Locked();
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  return told;
}

export async function act(button, path, wish) {
  button.disabled = true;
  try {
    const done = await ask(path, wish);
    word(done.text);
    return done;
  } catch (error) {
    word(error.message || "log in first");
    return null;
  } finally {
    button.disabled = false;
  }
}

export function sure(text, yes) {
  const dialog = document.getElementById("question");
  document.getElementById("question-text").textContent = text;
  document.getElementById("question-yes").textContent = yes;
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((resolve) =>
    dialog.addEventListener("close", () => resolve(dialog.returnValue === "yes"), { once: true }));
}

// A picture with its measure, for as long as the page shows it.
export async function picture(image, path) {
  if (image.dataset.path === path) return null;
  image.dataset.path = path;
  const answer = await fetch(path).catch(() => null);
  if (!answer || !answer.ok || image.dataset.path !== path) {
    if (image.dataset.path === path) delete image.dataset.path;
    return null;
  }
  const old = image.src;
  image.src = URL.createObjectURL(await answer.blob());
  if (old.startsWith("blob:")) URL.revokeObjectURL(old);
  return JSON.parse(answer.headers.get("Lapsed-Measure"));
}

// How much of a picture is clipped, and what was counted: in spots, specks that are smaller don't show.
export function ends({ white, black, spot }) {
  const share = (part) => `${(100 * part).toFixed(1)} %`;
  return `${share(white)} at white, ${share(black)} at black${spot > 1 ? `, in spots of ${spot} x ${spot} pixels` : ""}`;
}

export function middle(values) {
  return [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)];
}

const SVG = "http://www.w3.org/2000/svg";

export function graph(label) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "graph");
  svg.setAttribute("viewBox", "0 0 100 40");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", label);
  const path = document.createElementNS(SVG, "path");
  svg.append(path);
  return svg;
}

// A line spans at least half of its middle value, so that noise does not look like a fall.
export function draw(svg, values, filled, label) {
  const path = svg.firstChild;
  svg.setAttribute("aria-label", label);
  if (values.length < 2) return path.setAttribute("d", "");
  const centre = middle(values), span = filled ? 0 : centre / 4;
  const most = Math.max(...values, centre + span), least = filled ? 0 : Math.min(...values, centre - span);
  const high = (value) => (38 - (36 * (value - least)) / (most - least || 1)).toFixed(2);
  const line = values.map((value, at) => `${((100 * at) / (values.length - 1)).toFixed(2)} ${high(value)}`).join("L");
  path.setAttribute("d", filled ? `M0 40L${line}L100 40Z` : `M${line}`);
  path.setAttribute("class", filled ? "area" : "");
  return undefined;
}
