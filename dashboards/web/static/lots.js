// Lots, check standards and gauge studies: what is open, whether the benches may judge today, and opening another one.

import { actingNote, el, field, fill, form, get, leave, main, mayAct, plate, post, query, segment, start, table, timeOf, wrong } from "./kit.js";
import { gate } from "./gate.js";

const KINDS = { lot: "Lots", standard: "Check standards", study: "Gauge studies" };
const ONE = { lot: "Lot", standard: "Check standard", study: "Gauge study" };
const NAME = /^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$/;

start(async () => {
  const [listed, status, acting] = await Promise.all([get("/v1/lots?limit=200"), get("/v1/status"), mayAct()]);
  const lots = listed.lots;
  const open = lots.filter((one) => one.state === "open");
  const closed = lots.filter((one) => one.state !== "open");
  const finding = form([field("Lot, standard or study", "name", { hint: "Scan or type its name, Enter opens it.", maxlength: 64, autofocus: true })], "Open it", async (values, made) => {
    const there = lots.find((one) => one.lot.toLowerCase() === values.name.toLowerCase());
    if (!values.name) return wrong(made.elements.name, "scan or type a name first.");
    if (!there) return wrong(made.elements.name, `there is no ${values.name} among the newest ${lots.length}.`);
    return leave(`/lot/${segment(there.lot)}`);
  });
  const gates = el("div", {}, el("p", { class: "soft" }, "Looking up whether the benches may judge lots ..."));
  fill(
    main(),
    el("h1", {}, "Lots"),
    el("div", { class: "plates" }, plate("Find", finding), el("section", { class: "plate" }, el("h2", {}, "May the benches judge lots today?"), gates)),
    Object.keys(KINDS).map((kind) => plate(`${KINDS[kind]}, open`, listing(kind, open.filter((one) => one.kind === kind)))),
    closed.length ? el("details", { class: "plate" }, el("summary", {}, `Closed: ${closed.length}`), listing("lot", closed, true)) : null,
    acting ? el("details", { class: "plate", id: "new" }, el("summary", {}, "Open another one"), await opening()) : await actingNote(),
  );
  const parts = [...new Set(open.filter((one) => one.kind === "lot" && one.part).map((one) => one.part))];
  if (location.hash === "#new") openNew();
  fill(gates, await gateList(status.benches.map((one) => one.bench), parts.slice(0, 6)));
});

/** Come here to open one: the form stands open. */
function openNew() {
  const made = document.getElementById("new");
  if (!made) return;
  made.open = true;
  made.scrollIntoView();
  made.querySelector("select").focus();
}

function listing(kind, lots, mixed = false) {
  const columns = [
    ["Name", (one) => el("a", { href: `/lot/${segment(one.lot)}` }, one.lot)],
    ...(mixed ? [["Kind", (one) => ONE[one.kind] ?? one.kind]] : []),
    ["Part", (one) => one.part ?? ""],
    ["Title", (one) => one.title ?? ""],
    ["Units", (one) => String(one.units), true],
    ["Tests", (one) => String(one.tests), true],
    ["Opened", (one) => timeOf(one.opened)],
    ...(mixed ? [["Closed", (one) => timeOf(one.closed)]] : []),
  ];
  return table(mixed ? "Closed" : KINDS[kind], columns, lots, `No ${(ONE[kind] ?? "one").toLowerCase()} is open.`);
}

async function gateList(benches, parts) {
  if (!parts.length) return el("p", { class: "soft" }, "No lot is open, so there is nothing to be judged.");
  const asked = parts.flatMap((part) => benches.map((bench) => get(`/v1/benches/${segment(bench)}/gate${query({ part })}`)));
  const found = await Promise.all(asked);
  return el("ul", { class: "plain" }, found.map((one) => el("li", {}, gate(one))));
}

async function opening() {
  const { parts } = await get("/v1/parts");
  const usable = parts.filter((one) => !one.wrong);
  const kind = field("What", "kind", { kind: "select", options: [["lot", "a lot: units to be tested"], ["standard", "a check standard: a kept unit that shows whether a bench is right"], ["study", "a gauge study: how much comes from the measuring"]] });
  const only = (name, ...children) => el("div", { data: { only: name } }, ...children);
  const parted = [
    kind,
    el(
      "div",
      { class: "fields" },
      field("Part", "part", { kind: "select", options: [["", "choose"], ...usable.map((one) => [one.file, `${one.name} (${one.number})`])] }),
      field("Name", "lot", { hint: "Empty: the part's number and the next free one. A standard is scanned by this name.", maxlength: 64 }),
      field("Title", "title", { maxlength: 128 }),
      field("By", "by", { maxlength: 128 }),
    ),
    only("lot", el("div", { class: "fields" }, field("Customer", "customer", { maxlength: 128 }), field("Units planned", "planned", { kind: "number", min: 1, max: 10000000 }), field("Sampling plan", "plan", { hint: "Empty: every unit is tested. Else as in: attributes, general II, AQL 0.65", maxlength: 128 }))),
    only(
      "standard",
      field("References", "references", { kind: "textarea", hint: "A line a characteristic that is known from elsewhere: id, value, expanded uncertainty, as in: set-point-rated, 14.196, 0.03" }),
      el("div", { class: "fields" }, field("Measured every so many hours", "every_hours", { kind: "number", min: 0.1, step: "any" }), field("Measurements that set the limits", "baseline", { kind: "number", min: 5, max: 200, hint: "Empty: 10." })),
    ),
    only(
      "study",
      field("Units", "units", { kind: "textarea", hint: "A serial number a line; ten are usual." }),
      field("Raters", "raters", { kind: "textarea", hint: "A person or a bench a line; three are usual." }),
      el("div", { class: "fields" }, field("Raters are", "rated_by", { kind: "select", options: [["person", "people"], ["bench", "benches"]] }), field("Trials each", "trials", { kind: "number", value: "3", min: 2, max: 10 })),
    ),
  ];
  const made = form(parted, "Open it", async (values, here) => {
    const body = wanted(values, here);
    if (!body) return;
    const found = await post("/v1/lots", body);
    await leave(`/lot/${segment(found.lot)}`);
  });
  const choose = () => {
    for (const one of made.querySelectorAll("[data-only]")) one.hidden = one.dataset.only !== made.elements.kind.value;
  };
  made.elements.kind.addEventListener("change", choose);
  choose();
  if (!usable.length) return el("p", {}, "The daemon has no regulator file: see configs/regulators/ and the guide of lots.");
  return made;
}

const lines = (text) => text.split("\n").map((one) => one.trim()).filter(Boolean);

/** The body of POST /v1/lots, or null where something is wrong beside its field. */
function wanted(values, made) {
  const { kind } = values;
  if (!values.part) return wrong(made.elements.part, "choose the part; its file says what passes.");
  if (values.lot && !NAME.test(values.lot)) return wrong(made.elements.lot, "letters, digits, '.', '-' and '_', a letter or digit first, at most 64.");
  const body = { kind, part: values.part, title: values.title, by: values.by };
  if (values.lot) body.lot = values.lot;
  if (kind === "lot") Object.assign(body, { customer: values.customer, plan: values.plan, ...numbers(values, "planned") });
  if (kind === "standard") {
    body.references = {};
    for (const line of lines(values.references)) {
      const [id, value, spread] = line.split(",").map((one) => one.trim());
      if (!id || !Number.isFinite(Number(value)) || value === "" || value === undefined) return wrong(made.elements.references, `'${line}' is no id, value, expanded uncertainty.`);
      body.references[id] = { value: Number(value), expanded_uncertainty: spread ? Number(spread) : null };
    }
    Object.assign(body, numbers(values, "every_hours", "baseline"));
  }
  if (kind === "study") {
    Object.assign(body, { units: lines(values.units), raters: lines(values.raters), rated_by: values.rated_by, ...numbers(values, "trials") });
    if (body.units.length < 2) return wrong(made.elements.units, "a study needs two units at least.");
    if (body.raters.length < 2) return wrong(made.elements.raters, "a study needs two raters at least.");
  }
  return body;
}

function numbers(values, ...names) {
  return Object.fromEntries(names.filter((name) => values[name] !== "").map((name) => [name, Number(values[name])]));
}
