// A native range input with its label and value. One value is under way at a time: the newest
// position is sent when the last one was answered.

function render({ model, el }) {
  const label = document.createElement("label");
  const input = document.createElement("input");
  const shown = document.createElement("output");
  input.type = "range";
  label.append(model.get("label"), input);
  for (const [name, trait] of [["min", "low"], ["max", "high"], ["step", "step"]]) {
    input[name] = model.get(trait);
  }
  el.classList.add("tk-slider");
  el.append(label, shown);
  const state = { waiting: false, pending: false };

  function say() {
    shown.textContent = `${Number(input.value)} ${model.get("unit")}`;
    input.setAttribute("aria-valuetext", shown.textContent);
  }

  function send() {
    const value = Number(input.value);
    if (value === model.get("value")) return;
    state.waiting = true;
    model.set("value", value);
    model.save_changes();
  }

  input.addEventListener("input", () => {
    say();
    if (state.waiting) state.pending = true;
    else send();
  });
  model.on("change:answered", () => {
    state.waiting = false;
    if (state.pending) send();
    state.pending = false;
  });
  model.on("change:value", () => {
    if (state.waiting || state.pending) return;
    input.value = model.get("value");
    say();
  });
  input.value = model.get("value");
  say();
}

export default { render };
