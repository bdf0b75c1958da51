// A table of numbers to type in: keyboard first, spreadsheet paste, decimal comma, range marks.
// What is typed stays in the inputs and is sent whole, row by row; Python checks it again. Each
// row counts its edits, so that an answer to an older one never overwrites newer typing.

function toNumber(text) {
  const plain = text.trim().replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}

function withPoint(text, column) {
  // "42" is 4.2 and "205" is 2.05: every value is below 10, so one digit stands before the point.
  const plain = text.trim();
  if (!/^\d{2,}$/.test(plain)) return plain;
  const read = `${plain[0]}.${plain.slice(1)}`;
  return Number(read) >= column.lowest && Number(read) <= column.highest ? read : plain;
}

// What is typed waits in the tab's own storage until Python has it on disk: a kernel that is busy,
// dead or started again loses nothing.
const store = {
  name: (model, key) => `tyrekit ${model.get("name")} ${key}`,
  keep(model, key, texts) {
    if (model.get("name")) sessionStorage.setItem(store.name(model, key), JSON.stringify(texts));
  },
  drop: (model, key) => sessionStorage.removeItem(store.name(model, key)),
  read: (model, key) => JSON.parse(sessionStorage.getItem(store.name(model, key)) || "null"),
};

function faultOf(text, column) {
  if (text.trim() === "") return "";
  const value = toNumber(text);
  if (Number.isNaN(value)) return `${column.label} ${text.trim()} is not a number`;
  if (value < column.lowest) return `${column.label} is under ${column.lowest} ${column.unit}`;
  if (value > column.highest) return `${column.label} is over ${column.highest} ${column.unit}`;
  return "";
}

function render({ model, el }) {
  const inputs = new Map();
  const states = new Map();
  const edits = new Map();
  const waiting = new Map();
  const passed = { at: 0 };
  let over = "";
  el.classList.add("tk-entry");

  const at = (r, c) => inputs.get(`${r}:${c}`);
  const columns = () => model.get("columns");
  const rows = () => model.get("rows");

  function show(r) {
    const row = rows()[r];
    const words = [];
    columns().forEach((column, c) => {
      const input = at(r, c);
      const fault = faultOf(input.value, column);
      input.setAttribute("aria-invalid", fault ? "true" : "false");
      if (fault) words.push(fault);
    });
    const state = states.get(r);
    if (!state) return;
    if (over && over.row === r) words.push(over.words);
    const said = words.length ? `! ${words.join("; ")}` : model.get("status")[row.key] || "";
    if (state.textContent !== said) state.textContent = said;
    state.classList.toggle("tk-fault", /(^|; )! /.test(said));
  }

  function textsOf(r) {
    const texts = {};
    columns().forEach((column, c) => (texts[column.name] = at(r, c).value.trim()));
    return texts;
  }

  function tell(r, kind) {
    const key = rows()[r].key;
    clearTimeout(waiting.get(key));
    model.send({ kind, key, texts: textsOf(r), edit: edits.get(key) || 0 });
  }

  function edited(r) {
    const key = rows()[r].key;
    edits.set(key, (edits.get(key) || 0) + 1);
    store.keep(model, key, textsOf(r));
    clearTimeout(waiting.get(key));
    waiting.set(key, setTimeout(() => tell(r, "typed"), 300));
  }

  function leave(r) {
    tell(r, "row");
  }

  function go(r, c) {
    const target = at(r, c);
    if (!target) return false;
    target.focus();
    target.select();
    return true;
  }

  function step(r, c) {
    return go(r, c + 1) || go(r + 1, 0);
  }

  function keep(r, c) {
    const column = columns()[c];
    const input = at(r, c);
    const text = withPoint(input.value, column);
    if (text !== input.value) {
      input.value = text;
      edited(r);
    }
    show(r);
  }

  function onInput(r, c) {
    passed.at = 0;
    over = "";
    edited(r);
    const column = columns()[c];
    const input = at(r, c);
    show(r);
    if (/^\d+$/.test(input.value) && input.value.length === column.digits + 1) {
      const text = withPoint(input.value, column);
      if (text === input.value) return;
      input.value = text;
      edited(r);
      show(r);
      if (step(r, c)) passed.at = Date.now();
      else leave(r);
    }
  }

  function onKey(event, r, c) {
    const input = at(r, c);
    const here = Date.now() - passed.at < 1200;
    if (here && (event.key === "Tab" || event.key === "Enter") && !event.shiftKey) {
      passed.at = 0; // the cell was left by itself a moment ago: the habit of pressing Tab is kept
      event.preventDefault();
      if (event.key === "Enter") leave(r);
      return;
    }
    const start = input.selectionStart === 0 && input.selectionEnd === 0;
    const whole = input.selectionStart === 0 && input.selectionEnd === input.value.length;
    const end = input.selectionStart === input.value.length;
    let moved = false;
    if (event.key === "Enter" || event.key === "ArrowDown") moved = go(r + 1, c);
    else if (event.key === "ArrowUp") moved = go(r - 1, c);
    else if (event.key === "ArrowLeft" && (start || whole)) moved = go(r, c - 1);
    else if (event.key === "ArrowRight" && (end || whole)) moved = go(r, c + 1);
    else if (event.key === "Escape") {
      input.value = rows()[r][columns()[c].name] || "";
      edited(r);
      show(r);
    }
    if (event.key === "Enter" && !moved) {
      keep(r, c);
      leave(r);
    }
    if (moved || event.key === "Enter") event.preventDefault();
    event.stopPropagation();
  }

  function onPaste(event, r, c) {
    const text = event.clipboardData.getData("text/plain");
    const lines = text.replace(/\r/g, "").replace(/\n+$/, "").split("\n");
    const cells = lines.map((line) =>
      line.includes("\t") ? line.split("\t") : line.trim().split(/[;\s]+/)
    );
    if (lines.length === 1 && cells[0].length === 1) return;
    event.preventDefault();
    const odd = cells.flat().find((value) => value.trim() && Number.isNaN(toNumber(value)));
    if (odd) {
      // headings or labels came along: every number would stand beside its place
      over = { row: r, words: `nothing pasted: ${odd.trim()} is no number, copy only numbers` };
      show(r);
      return;
    }
    const touched = new Set();
    const lost = [];
    cells.forEach((line, i) =>
      line.forEach((value, j) => {
        const input = at(r + i, c + j);
        if (!input && value.trim()) lost.push(value.trim());
        if (!input) return;
        input.value = withPoint(value, columns()[c + j]);
        touched.add(r + i);
      })
    );
    const words = `${lost.length} pasted did not fit: ${lost.join(" ")}`;
    over = lost.length ? { row: r, words } : "";
    touched.forEach((row) => {
      edited(row);
      show(row);
      leave(row);
    });
  }

  function cell(r, c) {
    const row = rows()[r];
    const column = columns()[c];
    const input = document.createElement("input");
    input.type = "text";
    input.inputMode = "decimal";
    input.autocomplete = "off";
    input.value = row[column.name] || "";
    input.setAttribute("aria-label", `${row.label} ${column.label} ${column.unit}`);
    input.addEventListener("mousedown", (event) => {
      if (document.activeElement === input) return;
      event.preventDefault(); // the first click chooses the whole cell, so that typing replaces it
      go(r, c);
    });
    input.addEventListener("input", () => onInput(r, c));
    input.addEventListener("change", () => keep(r, c));
    input.addEventListener("keydown", (event) => onKey(event, r, c));
    input.addEventListener("paste", (event) => onPaste(event, r, c));
    inputs.set(`${r}:${c}`, input);
    return input;
  }

  function heading(text, scope, parent) {
    const th = document.createElement("th");
    th.scope = scope;
    th.textContent = text;
    parent.append(th);
    return th;
  }

  function build() {
    inputs.clear();
    states.clear();
    const table = document.createElement("table");
    const caption = table.createCaption();
    caption.textContent = model.get("caption");
    const head = table.createTHead().insertRow();
    heading("tyre", "col", head);
    columns().forEach((c) => heading(`${c.label}, ${c.unit}`, "col", head));
    heading("state", "col", head).className = "tk-state";
    const body = table.createTBody();
    rows().forEach((row, r) => {
      const line = body.insertRow();
      heading(row.label, "row", line);
      columns().forEach((_, c) => line.insertCell().append(cell(r, c)));
      const state = line.insertCell();
      state.className = "tk-state";
      state.setAttribute("role", "status");
      states.set(r, state);
      line.addEventListener("focusout", (event) => {
        if (!line.contains(event.relatedTarget)) leave(r);
      });
    });
    el.replaceChildren(table);
    rows().forEach((row, r) => {
      const kept = store.read(model, row.key);
      const differs = (column) => (kept[column.name] || "") !== (row[column.name] || "");
      if (kept && columns().some(differs)) {
        columns().forEach((column, c) => (at(r, c).value = kept[column.name] || ""));
        edits.set(row.key, Number(row.edit || 0));
        edited(r);
      }
      show(r);
    });
    goTo(model.get("focus"));
  }

  function goTo(key) {
    const r = rows().findIndex((row) => row.key === key);
    if (r < 0) return;
    const empty = columns().findIndex((_, c) => !at(r, c).value);
    go(r, Math.max(empty, 0));
  }

  function refresh() {
    const shape = rows().map((row) => row.key).join("|");
    if (shape !== el.dataset.shape) {
      el.dataset.shape = shape;
      build();
      return;
    }
    rows().forEach((row, r) => {
      const newest = Number(row.edit || 0) >= (edits.get(row.key) || 0);
      if (newest) edits.set(row.key, Number(row.edit || 0));
      if (newest && Number(row.edit || 0)) store.drop(model, row.key);
      columns().forEach((column, c) => {
        const text = row[column.name] || "";
        if (newest && at(r, c).value !== text) at(r, c).value = text;
      });
      show(r);
    });
  }

  el.dataset.shape = "";
  refresh();
  model.on("change:rows", refresh);
  model.on("change:status", refresh);
  model.on("msg:custom", (told) => {
    const inside = el.contains(document.activeElement); // who types already is not moved elsewhere
    if (told.kind === "focus" && !inside) goTo(told.key);
  });
  model.on("change:columns", () => {
    el.dataset.shape = "";
    refresh();
  });
  const look = () => document.visibilityState === "visible" && model.send({ kind: "look" });
  window.addEventListener("focus", look);
  const beat = setInterval(look, 2500); // a panel that is on no screen is not looked after
  return () => {
    window.removeEventListener("focus", look);
    clearInterval(beat);
  };
}

export default { render };
