// What every page is made of: elements, requests, who is signed in, words for times and numbers, forms.
// Text reaches the page as text alone: nothing that came from outside is ever read as markup.

const KEY = "benchd.token";
const LOOK = "benchd.look";
const SVG = "http://www.w3.org/2000/svg";
const SVG_TAGS = new Set(["svg", "g", "path", "line", "rect", "circle", "text", "polygon", "title", "use"]);

/** An element. Attributes: `on*` listeners, `data` and `style` as objects, true/false/null as present or absent. */
export function el(tag, attributes = {}, ...children) {
  const made = SVG_TAGS.has(tag) ? document.createElementNS(SVG, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "data") for (const [key, one] of Object.entries(value)) made.dataset[key] = one;
    else if (name === "style") for (const [key, one] of Object.entries(value)) made.style.setProperty(key, one);
    else made.setAttribute(name, value === true ? "" : String(value));
  }
  put(made, ...children);
  return made;
}

/** Append children: elements, strings, numbers, arrays of them; null and false are nothing. */
export function put(parent, ...children) {
  for (const one of children.flat(Infinity)) if (one !== null && one !== undefined && one !== false) parent.append(one);
  return parent;
}

/** The same in the place of what was there. */
export function fill(parent, ...children) {
  parent.replaceChildren();
  return put(parent, ...children);
}

/** Set a text only where it changed: reading aloud and selecting go on undisturbed. */
export function tell(element, text) {
  const said = text ?? "";
  if (element.textContent !== said) element.textContent = said;
}

export const main = () => document.getElementById("main");

// --- who asks ---------------------------------------------------------------------------------------------------------

export function token() {
  return sessionStorage.getItem(KEY) || localStorage.getItem(KEY) || "";
}

export function keepToken(text, onThisDevice) {
  forgetToken();
  (onThisDevice ? localStorage : sessionStorage).setItem(KEY, text);
}

export function forgetToken() {
  sessionStorage.removeItem(KEY);
  localStorage.removeItem(KEY);
}

/** Whatever the daemon refused or could not answer. `status` 0: it was not reached. */
export class AskError extends Error {
  constructor(status, kind, message) {
    super(message);
    this.status = status;
    this.kind = kind;
  }
}

function headers(more) {
  const found = { "X-Benchd-Page": "1", ...more };
  if (token()) found.Authorization = `Bearer ${token()}`;
  return found;
}

async function ask(method, path, body, signal) {
  let answer;
  const sent = body === undefined ? {} : { body: JSON.stringify(body), headers: headers({ "Content-Type": "application/json" }) };
  try {
    answer = await fetch(path, { method, headers: headers(), cache: "no-store", signal, ...sent });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new AskError(0, "unreachable", "The daemon does not answer. Is it running, and is this device on its network?");
  }
  if (answer.ok) return answer;
  let said = null;
  try {
    said = (await answer.json()).error;
  } catch {
    said = null;
  }
  if (answer.status === 401) tell(document.getElementById("who"), "Sign in");
  throw new AskError(answer.status, said?.kind ?? "internal", sentence(said?.message ?? `The daemon answered ${answer.status}.`));
}

export const get = async (path, signal) => (await ask("GET", path, undefined, signal)).json();

/** POST; what was answered, null where there is nothing to say. */
export async function post(path, body = {}) {
  const answer = await ask("POST", path, body);
  return answer.status === 204 ? null : answer.json();
}

export const blob = async (path) => (await ask("GET", path)).blob();

/** A file of the daemon's, saved under a name. */
export async function download(path, name) {
  const place = URL.createObjectURL(await blob(path));
  const link = el("a", { href: place, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(place), 60000);
}

export function query(values) {
  const found = new URLSearchParams();
  for (const [key, value] of Object.entries(values)) if (value !== "" && value !== null && value !== undefined) found.set(key, value);
  const text = found.toString();
  return text ? `?${text}` : "";
}

export const segment = encodeURIComponent;

/** {name, scope, shop}; asked once a page. Scope is '' for whoever may not even look. */
let asked = null;
export function session() {
  asked ??= get("/v1/session").catch((error) => {
    if (error.status === 401) return { name: "", scope: "" };
    asked = null;
    throw error;
  });
  return asked;
}

export const mayAct = async () => ["operate", "administer"].includes((await session()).scope);

/** Where acting needs a token that is not here: a sentence with the way to it; else null. */
export async function actingNote() {
  if (await mayAct()) return null;
  return el("p", { class: "soft", data: { note: "acting" } }, "Looking only. To write anything down, ", el("a", { href: signIn() }, "sign in"), " with a token that may operate.");
}

export function signIn() {
  return `/sign-in?to=${segment(location.pathname + location.search)}`;
}

// --- saying -----------------------------------------------------------------------------------------------------------

let saidLast = 0;

/** A sentence at the foot of the page, read aloud. Good news goes by itself, bad news stays until it is closed. */
export function say(text, role = "good") {
  const here = document.getElementById("said");
  const close = el("button", { type: "button", onclick: () => fill(here) }, "Close");
  fill(here, el("div", { data: { role } }, el("span", {}, text), close));
  saidLast += 1;
  const mine = saidLast;
  if (role === "good") setTimeout(() => mine === saidLast && fill(here), 6000);
}

export const failed = (error) => {
  if (error.name !== "AbortError") say(error.message || String(error), "bad");
};

export function sentence(text) {
  const said = String(text).trim();
  if (!said) return said;
  const ended = /[.!?:]$/.test(said) ? said : `${said}.`;
  return ended[0].toUpperCase() + ended.slice(1);
}

/** Ask before something that cannot be taken back. Resolves to true or false. */
export function sure(question, yes = "Yes", role = "stop") {
  return new Promise((done) => {
    const answer = (value) => () => {
      dialog.close();
      dialog.remove();
      done(value);
    };
    const dialog = el(
      "dialog",
      { "aria-label": question, oncancel: answer(false) },
      el("p", {}, question),
      el("div", { class: "row" }, el("button", { type: "button", class: role, onclick: answer(true) }, yes), el("button", { type: "button", onclick: answer(false), autofocus: true }, "Go back")),
    );
    document.body.append(dialog);
    dialog.showModal();
  });
}

// --- words ------------------------------------------------------------------------------------------------------------

/** 125 -> '2:05'; an hour and more: '1:02:05'. */
export function clock(seconds) {
  const whole = Math.max(Math.round(seconds), 0);
  const [hours, minutes, rest] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const end = `${String(rest).padStart(2, "0")}`;
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${end}` : `${minutes}:${end}`;
}

/** A UTC time in this device's own time zone: '2026-11-26 14:03'. */
export function when(text) {
  const found = new Date(text);
  if (!text || Number.isNaN(found.getTime())) return text || "";
  const two = (one) => String(one).padStart(2, "0");
  return `${found.getFullYear()}-${two(found.getMonth() + 1)}-${two(found.getDate())} ${two(found.getHours())}:${two(found.getMinutes())}`;
}

export function timeOf(text) {
  return text ? el("time", { datetime: text, title: `${text} (UTC)` }, when(text)) : "";
}

export function percent(share) {
  if (share > 0.99) return "over 99 %";
  return share < 0.01 ? "under 1 %" : `${Math.round(100 * share)} %`;
}

export const titled = (name) => {
  const said = String(name ?? "").replaceAll("_", " ").replaceAll("-", " ");
  return said ? said[0].toUpperCase() + said.slice(1) : said;
};

/** [what happened, what to do] of an instrument that does not talk, without its port in front of both. */
export function trouble(one) {
  const short = (text) => {
    let found = text ?? "";
    while (found.startsWith(one.port)) {
      const rest = /^(?::| \([^)]*\):)\s*(.*)$/s.exec(found.slice(one.port.length));
      if (!rest) break;
      found = rest[1];
    }
    return found;
  };
  let what = short(one.what);
  let cure = short(one.cure);
  if (cure && what.endsWith(cure)) what = what.slice(0, -cure.length).replace(/[ :.]+$/, "");
  if (!what) [, what, cure] = /^(.*?)(?:\. (.*))?$/s.exec(cure);
  return [whole(what ?? ""), whole(cure ?? "")];
}

export const whole = (text) => (text && !/[.!?]$/.test(text) ? `${text}.` : text);

// --- how this device likes it -----------------------------------------------------------------------------------------

export function look() {
  try {
    return JSON.parse(localStorage.getItem(LOOK) || "{}");
  } catch {
    return {};
  }
}

export const fahrenheit = () => look().celsius === "F";

/** A temperature as this device wants it: [number, unit]. Everything that is kept is in degC. */
export const temperature = (celsius) => (fahrenheit() ? [celsius * 1.8 + 32, "degF"] : [celsius, "degC"]);

/** A sentence of the daemon's with its temperatures as this device wants them; differences (± 2 degC) are scaled alone. */
export function inUnits(text) {
  if (typeof text !== "string") return text;
  // A hydrometer's scale stands at 80 degF wherever it was made.
  if (!fahrenheit()) return text.replace(/(-?\d+(?:\.\d+)?)\s*degF/g, (_, number) => `${Math.round((Number(number) - 32) / 1.8)} degC`);
  const told = text.replace(/(±\s*)?(-?\d+(?:\.\d+)?)\s*degC/g, (_, spread, number) => {
    const found = spread ? Number(number) * 1.8 : Number(number) * 1.8 + 32;
    return `${spread ?? ""}${Math.round(found * 10) / 10} degF`;
  });
  return told;
}

function lookDialog() {
  const now = look();
  const choice = (name, title, options) =>
    el(
      "fieldset",
      { class: "field" },
      el("legend", {}, title),
      options.map(([value, text]) =>
        el("label", { class: "row" }, el("input", { type: "radio", name, value, checked: (now[name] ?? options[0][0]) === value, onchange: () => change(name, value) }), text),
      ),
    );
  const change = (name, value) => {
    const next = { ...look(), [name]: value };
    localStorage.setItem(LOOK, JSON.stringify(next));
    document.documentElement.dataset[name] = value;
    document.dispatchEvent(new CustomEvent("look"));
  };
  const dialog = el(
    "dialog",
    { "aria-label": "How this device shows it", onclose: () => dialog.remove() },
    el("h2", {}, "How this device shows it"),
    choice("light", "Light", [["auto", "As the device is set"], ["dark", "Dark, for the workshop"], ["bright", "Bright, for sunlight"]]),
    choice("celsius", "Temperatures", [["C", "degC"], ["F", "degF"]]),
    el("button", { type: "button", class: "main", onclick: () => dialog.close() }, "Done"),
  );
  document.body.append(dialog);
  dialog.showModal();
}

/** What people call the tests; any other is a run. As `TESTS` of the terminal's words. */
const TESTS = { charge: "State of charge", load: "Load test", crank: "Cranking test", draw: "Key-off draw", drop: "Voltage drop", continuity: "Continuity", unit: "Unit test" };

export const testName = (procedure) => TESTS[procedure] ?? `${titled(procedure)} run`;

// --- parts ------------------------------------------------------------------------------------------------------------

const VERDICT_WORDS = { pass: "Pass", fail: "Fail", undecided: "Undecided", void: "Void", none: "No verdict" };

export function badge(verdict, word = "") {
  const known = verdict && VERDICT_WORDS[verdict] ? verdict : "none";
  return el("span", { class: "badge", data: { verdict: known } }, word || VERDICT_WORDS[known]);
}

const ATTENTION_WORDS = { danger: "Danger", do: "Do this", ask: "Answer", caution: "Caution", lost: "Lost", absent: "Not found", refused: "Not tested", flag: "Look at the meter", notice: "Note" };

export function attention(kind, text, ...more) {
  return el("div", { class: "attention", data: { kind, word: ATTENTION_WORDS[kind] ?? "Note" } }, el("p", {}, inUnits(text)), ...more);
}

export const plate = (title, ...children) => el("section", { class: "plate" }, title ? el("h2", {}, title) : null, ...children);

/** Terms and what they are: [[term, value]...]; those without a value are left out. */
export function pairs(rows) {
  const there = rows.filter(([, value]) => value !== null && value !== undefined && value !== "");
  return el("dl", { class: "pairs" }, there.map(([term, value]) => [el("dt", {}, term), el("dd", {}, value)]));
}

/** A table that scrolls by itself on a small screen. Columns: [title, cell of a row, numeric?]. */
export function table(caption, columns, rows, empty = "Nothing yet.") {
  if (!rows.length) return el("p", { class: "soft" }, empty);
  const kind = (numeric) => (numeric ? { class: "number" } : {});
  return el(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    el(
      "table",
      {},
      el("caption", { class: "away" }, caption),
      el("thead", {}, el("tr", {}, columns.map(([title, , numeric]) => el("th", { scope: "col", ...kind(numeric) }, title)))),
      el("tbody", {}, rows.map((row) => el("tr", {}, columns.map(([, cell, numeric]) => el("td", kind(numeric), cell(row)))))),
    ),
  );
}

let fields = 0;

/** A labelled input. `kind`: text, number, date, select, textarea, check, password, file; `options`: [[value, text]...]. */
export function field(label, name, { kind = "text", value = "", options = [], hint = "", ...more } = {}) {
  fields += 1;
  const id = `field-${fields}`;
  const described = { "aria-describedby": `${id}-hint ${id}-wrong` };
  const common = { id, name, ...described, ...more };
  const tail = [hint ? el("p", { class: "hint", id: `${id}-hint` }, hint) : null, el("p", { class: "wrong", id: `${id}-wrong`, hidden: true })];
  if (kind === "check") return el("div", { class: "field" }, el("label", { for: id }, el("input", { type: "checkbox", checked: Boolean(value), ...common }), label), tail);
  let input;
  if (kind === "select") input = el("select", common, options.map(([key, text]) => el("option", { value: key, selected: key === value }, text)));
  else if (kind === "textarea") input = put(el("textarea", common), value);
  else input = el("input", { type: kind, value, autocomplete: "off", ...common });
  return el("div", { class: "field" }, el("label", { for: id }, label), input, tail);
}

/** Say beside an input what is wrong with it; '' takes it back. */
export function wrong(input, text) {
  const place = document.getElementById(`${input.id}-wrong`);
  input.setAttribute("aria-invalid", text ? "true" : "false");
  if (place) {
    place.hidden = !text;
    tell(place, text);
  }
  if (text) input.focus();
}

/** A form that does one thing at a time: `act(values, form)` may be slow or fail; what fails is said beside the button. */
export function form(parts, button, act, { role = "main" } = {}) {
  const trouble = el("p", { class: "wrong", role: "alert", hidden: true });
  const go = el("button", { type: "submit", class: role }, button);
  const made = el("form", { novalidate: true, class: "field" }, parts, go, trouble);
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (go.disabled) return;
    const odd = [...made.elements].find((one) => one.type === "number" && !one.closest("[hidden]") && (one.validity.badInput || one.validity.rangeUnderflow || one.validity.rangeOverflow));
    if (odd) {
      wrong(odd, `write a number${odd.min && odd.max ? ` from ${odd.min} to ${odd.max}` : odd.min ? `, ${odd.min} or more` : ""}.`);
      return;
    }
    go.disabled = true;
    go.setAttribute("aria-busy", "true");
    trouble.hidden = true;
    for (const one of made.elements) if (one.getAttribute("aria-invalid") === "true") wrong(one, "");
    try {
      await act(valuesOf(made), made);
    } catch (error) {
      trouble.hidden = false;
      tell(trouble, error.message || String(error));
    } finally {
      go.disabled = false;
      go.removeAttribute("aria-busy");
    }
  });
  return made;
}

export function valuesOf(made) {
  const found = {};
  for (const one of made.elements) {
    if (!one.name || one.type === "file") continue;
    if (one.type === "checkbox") found[one.name] = one.checked;
    else if (one.type !== "radio" || one.checked) found[one.name] = one.value.trim();
  }
  return found;
}

// --- a page's life ----------------------------------------------------------------------------------------------------

/** Begin a page: who is here, then `draw`. What fails is said in the page itself, with what to do. */
export async function start(draw) {
  document.getElementById("look").addEventListener("click", lookDialog);
  const who = document.getElementById("who");
  who.href = signIn();
  try {
    const me = await session();
    if (me.shop) tell(document.getElementById("shop"), me.shop);
    tell(who, me.scope && me.name !== "this computer" ? `${me.name} (${me.scope})` : "Sign in");
    if (!me.scope && location.pathname !== "/sign-in") {
      location.replace(signIn());
      return;
    }
    await draw(me);
  } catch (error) {
    const absent = [404, 422].includes(error.status);
    fill(main(), el("h1", {}, document.title.replace(/ - benchd$/, "")), attention(absent ? "absent" : "lost", error.message || String(error)), absent ? null : el("button", { type: "button", onclick: () => location.reload() }, "Try again"));
    if (!(error instanceof AskError)) throw error;
  }
}

/** Go to another page. Until it is there what was pressed stays pressed, so that nothing is sent twice. */
export function leave(place) {
  return new Promise((back) => {
    addEventListener("pageshow", (event) => event.persisted && back(), { once: true });
    location.assign(place);
  });
}

export function title(text) {
  document.title = `${text} - benchd`;
}
