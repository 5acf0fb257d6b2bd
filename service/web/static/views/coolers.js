// First which coolers there are and when each was matched last; then many in a row; then a new one.

import { ask, send } from "../api.js";
import { cell, field, fill, form, h, notice, numeric, table } from "../dom.js";
import { targetsIn, when } from "../words.js";

export class CoolersView {
  constructor() {
    this.list = h("div", {}, "…");
    this.queue = h("div");
    this.retired = false;
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, h("h1", {}, "Coolers"), this.list,
        h("label", { class: "tick" }, h("input", { type: "checkbox", onchange: (event) => { this.retired = event.target.checked; this.load(); } }), "Show retired ones as well")),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Match many, one after the other"), this.queue),
      h("section", { class: "sheet half tool" }, h("h2", {}, "Register a cooler"),
        form([
          field("Name", "cooler", { required: true, maxLength: 200 }),
          field("Fans", "fans", { type: "number", min: "1", max: "100" }),
          field("Blades of a fan", "blades", { type: "number", min: "1", max: "1000" }),
          field("Poles of the pump's motor", "pump_poles", { type: "number", min: "1", max: "1000" }),
          field("Notes", "notes", { maxLength: 4000 }),
        ], "Register", async (asked) => {
          await send("coolers", asked);
          await this.load();
        })));
    this.load();
  }

  async load() {
    try {
      const { items } = await ask("coolers", { limit: 200, retired: this.retired ? null : false });
      fill(this.list, items.length
        ? table("Everything that was registered", ["Name", numeric("Matches"), "Last one"],
          items.map((cooler) => h("tr", {},
            h("td", {}, h("a", { href: `#/coolers/${cooler.id}` }, cooler.name), cooler.retired ? h("span", { class: "quiet" }, " (retired)") : null),
            cell(String(cooler.matches)),
            h("td", {}, cooler.last_match ? when(cooler.last_match) : h("span", { class: "quiet" }, "never matched")))))
        : h("p", {}, "No cooler is registered yet. Register the first one below, mount it, and match it."));
      this.showMany(items.filter((cooler) => !cooler.retired));
    } catch (error) {
      notice(error.message);
    }
  }

  // The order in which they are ticked is the order in which they are to be mounted.
  showMany(items) {
    const order = [];
    const said = h("ol", { "aria-live": "polite", "aria-label": "Order of mounting" });
    const ticked = (name, on) => {
      if (on) order.push(name); else order.splice(order.indexOf(name), 1);
      fill(said, order.map((one) => h("li", {}, one)));
    };
    fill(this.queue, items.length
      ? form([
        h("fieldset", { class: "many" }, h("legend", {}, "Tick them in the order they are to be mounted"),
          items.map((cooler) => h("label", { class: "tick" }, h("input", { type: "checkbox", onchange: (event) => ticked(cooler.name, event.target.checked) }), cooler.name))),
        said,
        field("Targets, dB(A), apart by spaces", "targets", { value: "40", required: true }),
      ], "Queue them", async ({ targets }) => {
        if (!order.length) throw new Error("Tick the coolers first, in the order they are to be mounted.");
        await send("match-queue", { coolers: order, targets_db: targetsIn(targets) });
        location.hash = "#/jobs";
      })
      : h("p", { class: "quiet" }, "Nothing to queue yet."));
  }
}
