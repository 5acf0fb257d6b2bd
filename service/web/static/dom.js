// Making elements: h("p", {class: "quiet"}, "text", child). Text never becomes markup.

export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name in element && !name.includes("-") && name !== "list" && name !== "form") element[name === "class" ? "className" : name] = value;
    else element.setAttribute(name === "class" ? "class" : name, value === true ? "" : value);
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export function fill(element, ...children) {
  element.replaceChildren(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export function facts(pairs) {
  return h("dl", { class: "facts" }, pairs.filter(([, value]) => value !== null && value !== undefined && value !== "")
    .map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]));
}

export function table(caption, heads, rows) {
  return h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    h("table", {},
      h("caption", {}, caption),
      h("thead", {}, h("tr", {}, heads.map((head) => h("th", { scope: "col", class: head.number ? "number" : null }, head.text ?? head)))),
      h("tbody", {}, rows)));
}

export const numeric = (text) => ({ text, number: true });
export const cell = (content) => h("td", { class: "number" }, content);

export function notice(text) {
  const line = h("p", {}, text);
  document.getElementById("notice").append(line);
  setTimeout(() => line.remove(), 9000);
}

// A button that does something slow: it is off meanwhile, and what goes wrong is said in words.
export function action(text, work, properties = {}) {
  const button = h("button", { type: "button", ...properties, onclick: async () => {
    button.disabled = true;
    try {
      await work();
    } catch (error) {
      notice(error.message);
    } finally {
      button.disabled = false;
    }
  } }, text);
  return button;
}

// A form whose named fields are handed over as an object; empty fields are left out.
export function form(fields, submit, work) {
  const button = h("button", { type: "submit" }, submit);
  return h("form", { onsubmit: async (event) => {
    event.preventDefault();
    button.disabled = true;
    try {
      await work(entered(event.target));
    } catch (error) {
      notice(error.message);
    } finally {
      button.disabled = false;
    }
  } }, h("div", { class: "row" }, fields), h("div", { class: "row" }, button));
}

function entered(element) {
  const values = {};
  for (const field of element.elements) {
    if (!field.name) continue;
    if (field.type === "checkbox") values[field.name] = field.checked;
    else if (field.value.trim() === "") continue;
    else if (field.type === "number") values[field.name] = Number(field.value);
    else if (field.multiple) values[field.name] = [...field.selectedOptions].map((option) => option.value);
    else values[field.name] = field.value.trim();
  }
  return values;
}

export function field(label, name, properties = {}) {
  return h("label", {}, label, h("input", { name, ...properties }));
}

export function tick(label, name, checked = false) {
  return h("label", { class: "tick" }, h("input", { type: "checkbox", name, checked }), label);
}
