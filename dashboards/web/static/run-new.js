// Start a run: on which bench, which test, of which machine, for whom. It starts no engine; the run's prompts say who does.

import { actingNote, el, field, fill, form, get, leave, main, plate, post, segment, testName, title, wrong } from "./kit.js";

export async function begin() {
  title("Start a run");
  const note = await actingNote();
  if (note) {
    fill(main(), el("h1", {}, "Start a run"), plate("", note));
    return;
  }
  const asked = new URLSearchParams(location.search);
  const order = asked.get("order") ?? "";
  const [{ benches }, { machines }, { procedures }, found] = await Promise.all([get("/v1/benches"), get("/v1/machines"), get("/v1/procedures"), order ? get(`/v1/orders/${segment(order)}`).catch(() => null) : null]);
  const machine = asked.get("machine") ?? machines.find((one) => one.name === found?.machine)?.file ?? "";
  const known = machines.filter((one) => !one.wrong);
  const inputs = [
    field("Bench", "bench", { kind: "select", value: asked.get("bench") ?? "", options: [["", "Which bench?"], ...benches.map((one) => [one.bench, `${one.name}${one.state === "ready" ? "" : `: ${one.state}`}`])] }),
    field("Test", "procedure", { kind: "select", value: asked.get("procedure") ?? "", options: [["", "Which test?"], ...procedures.map((one) => [one, testName(one)])] }),
    field("Machine", "spec", { kind: "select", value: machine, options: [["", "Which machine?"], ...known.map((one) => [one.file, one.name])], hint: "Its limits are those of its file, with the manual's page." }),
    field("Serial number of the unit", "unit", { value: asked.get("unit") ?? found?.unit ?? "", maxlength: 128, hint: "May be scanned. Earlier runs of the same unit are laid behind the curves." }),
    field("Work order", "work_order", { value: order, maxlength: 128, hint: "If there is one: the run then belongs to the visit." }),
  ];
  const made = form([el("div", { class: "fields" }, inputs)], "Start", async (values, form_) => {
    for (const [name, text] of [["bench", "choose the bench."], ["procedure", "choose the test."], ["spec", "choose the machine."]]) if (!values[name]) return wrong(form_.elements[name], text);
    const { run } = await post("/v1/runs", Object.fromEntries(Object.entries(values).filter(([, value]) => value)));
    return leave(`/run/${segment(run)}`);
  });
  // A scanner ends with Enter: that goes on to the next field, and starts nothing.
  made.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target.tagName !== "INPUT") return;
    event.preventDefault();
    const all = [...made.elements];
    all[all.indexOf(event.target) + 1]?.focus();
  });
  const broken = machines.filter((one) => one.wrong);
  fill(
    main(),
    el("h1", {}, "Start a run"),
    plate("", made, el("p", { class: "soft" }, "Nothing turns by itself: the run asks for the hook-up first, and tells when to start the engine.")),
    broken.length ? plate("Machine files that cannot be used", el("ul", {}, broken.map((one) => el("li", {}, `${one.file}: ${one.wrong}`)))) : null,
  );
}
