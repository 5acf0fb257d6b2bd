// First which coolers there are and what each lacks; then what to measure next, one or many.

import { ask, send } from "../api.js";
import { field, fill, form, h, notice, table } from "../dom.js";
import { when } from "../words.js";

export class CoolersView {
  constructor() {
    this.list = h("div", {}, "…");
    this.queue = h("div");
    this.element = h("div", { class: "sheets" },
      h("section", { class: "sheet" }, h("h1", {}, "Coolers"), this.list),
      h("section", { class: "sheet half" }, h("h2", {}, "Match many, one after the other"), this.queue),
      h("section", { class: "sheet half" }, h("h2", {}, "Register a cooler"),
        form([field("Name", "cooler", { required: true, maxlength: "120" }), field("Notes", "notes", { maxlength: "2000" })], "Register", async (asked) => {
          await send("coolers", asked);
          await this.load();
        })));
    this.load();
  }

  async load() {
    try {
      const { items } = await ask("coolers", { limit: 200, retired: false });
      fill(this.list, items.length
        ? table("Everything that was registered", ["Name", { text: "Matches", number: true }, "Last one"],
          items.map((cooler) => h("tr", {},
            h("td", {}, h("a", { href: `#/coolers/${cooler.id}` }, cooler.name)),
            h("td", { class: "number" }, String(cooler.matches)),
            h("td", {}, cooler.last_match ? when(cooler.last_match) : h("span", { class: "quiet" }, "never matched")))))
        : h("p", {}, "No cooler is registered yet. Register the first one below, mount it, and match it."));
      fill(this.queue, items.length
        ? form([
          h("label", {}, "Coolers, in the order they are to be mounted", h("select", { name: "coolers", multiple: true, size: String(Math.min(8, Math.max(3, items.length))), required: true },
            items.map((cooler) => h("option", { value: cooler.name }, cooler.name)))),
          field("Targets, dB(A), apart by spaces", "targets", { value: "40", required: true, inputmode: "decimal" }),
        ], "Queue them", async ({ coolers, targets }) => {
          await send("match-queue", { coolers, targets_db: targets.split(/[\s;]+/).filter(Boolean).map((text) => Number(text.replace(",", "."))) });
          location.hash = "#/jobs";
        })
        : h("p", { class: "quiet" }, "Nothing to queue yet."));
    } catch (error) {
      notice(error.message);
    }
  }
}
