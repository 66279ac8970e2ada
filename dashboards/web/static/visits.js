// Work orders: find one by a scan, look through them, open another one.

import { actingNote, el, field, fill, form, get, leave, main, mayAct, plate, post, query, segment, start, table, tell, timeOf, wrong } from "./kit.js";

const STATES = { open: "Open", proven: "Proven", "closed without proof": "Closed without proof" };
const place = (one) => `/visit/${segment(one.work_order)}`;

start(async () => {
  const asked = new URLSearchParams(location.search);
  const acting = await mayAct();
  const listed = el("div", { role: "status" });
  const show = async (filter) => {
    const { orders } = await get(`/v1/orders${query({ limit: 200, ...filter })}`);
    const first = (one) => (one.state === "open" ? 0 : 1);
    orders.sort((a, b) => first(a) - first(b));
    fill(listed, list(orders, Object.values(filter).some(Boolean)));
  };
  const filter = { state: asked.get("state") ?? "", machine: asked.get("machine") ?? "", unit: asked.get("unit") ?? "" };
  const making = acting ? await opening(asked.get("new") ?? "") : null;
  fill(
    main(),
    el("h1", {}, "Visits"),
    plate("Find", finding(making), el("div", { id: "unknown", role: "status" })),
    making ? making.element : await actingNote(),
    plate("Work orders", el("details", { open: Object.values(filter).some(Boolean) }, el("summary", {}, "Show only some"), filtering(filter, show)), listed),
  );
  await show(filter);
});

function list(orders, filtered) {
  const columns = [
    ["Order", (one) => el("a", { href: place(one) }, one.work_order)],
    ["State", (one) => el("span", { class: "state", data: { state: one.state } }, STATES[one.state] ?? one.state)],
    ["Machine", (one) => one.machine],
    ["Unit", (one) => one.unit],
    ["Customer", (one) => one.customer],
    ["Complaint", (one) => one.complaint],
    ["Runs", (one) => String(one.runs), true],
    ["Opened", (one) => timeOf(one.opened)],
  ];
  return table("Work orders, the open ones first", columns, orders, filtered ? "No order fits." : "No order was opened yet.");
}

/** A serial or order number, scanned or typed, opens its order. */
function finding(making) {
  return form([field("Serial or order number", "text", { hint: "Scan it, or type it and press Enter.", maxlength: 128, autofocus: true, autocapitalize: "off" })], "Find it", async (values, made) => {
    const text = values.text;
    const unknown = document.getElementById("unknown");
    fill(unknown);
    if (!text) return wrong(made.elements.text, "scan or type a number first.");
    const [units, all] = await Promise.all([get(`/v1/orders${query({ unit: text, limit: 20 })}`), get("/v1/orders?limit=1000")]);
    const found = all.orders.find((one) => one.work_order.toLowerCase() === text.toLowerCase()) ?? units.orders.find((one) => one.state === "open") ?? units.orders[0];
    if (found) return leave(place(found));
    made.elements.text.select();
    fill(unknown, el("p", {}, `No order has the number ${text}, and no machine of this serial number was here.`), making ? el("button", { type: "button", onclick: () => making.with(text) }, `Open an order for unit ${text}`) : null);
    return undefined;
  });
}

function filtering(filter, show) {
  const inputs = el("div", { class: "fields" }, field("State", "state", { kind: "select", value: filter.state, options: [["", "all"], ["open", "open"], ["proven", "proven"], ["closed without proof", "closed without proof"], ["closed", "closed, either way"]] }), field("Machine", "machine", { value: filter.machine, maxlength: 128 }), field("Unit", "unit", { value: filter.unit, maxlength: 128 }));
  return form(inputs, "Show", async (values) => {
    history.replaceState(null, "", `/visits${query(values)}`);
    await show(values);
  }, { role: "" });
}

/** The form for a machine that has come in. */
async function opening(unit) {
  const { machines } = await get("/v1/machines");
  const usable = machines.filter((one) => !one.wrong);
  const broken = machines.filter((one) => one.wrong);
  const inputs = [
    el("div", { class: "fields" }, field("Machine", "machine", { kind: "select", options: [["", "choose"], ...usable.map((one) => [one.file, one.name])] }), field("Serial number", "unit", { value: unit, maxlength: 128, hint: "Scan it, or leave it empty." }), field("Customer", "customer", { maxlength: 128 }), field("Taken in by", "by", { maxlength: 128 })),
    field("Complaint, in the customer's words", "complaint", { kind: "textarea", maxlength: 4000 }),
  ];
  const made = form(inputs, "Open the order", async (values, here) => {
    if (!values.machine) return wrong(here.elements.machine, "choose the machine; its file says what passes.");
    const found = await post("/v1/orders", values);
    return leave(place(found));
  });
  const element = el("details", { class: "plate", open: Boolean(unit) }, el("summary", {}, "A machine has come in: open an order"), made, broken.length ? el("p", { class: "soft" }, `Not offered, since their files are wrong: ${broken.map((one) => one.file).join(", ")}. benchd check tells why.`) : null);
  return {
    element,
    with: (text) => {
      element.open = true;
      made.elements.unit.value = text;
      made.elements.machine.focus();
      tell(document.getElementById("unknown"), "");
    },
  };
}
