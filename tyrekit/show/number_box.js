// A labelled number, typed with a point or a comma, or moved by the arrow keys. What cannot be used
// stays as typed, with the reason beside it and the number that counts instead.

function toNumber(text) {
  const plain = text.trim().replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}

function render({ model, el }) {
  const label = document.createElement("label");
  const name = document.createElement("span");
  const input = document.createElement("input");
  const said = document.createElement("span");
  name.className = "widget-label";
  name.textContent = model.get("description");
  input.type = "text";
  input.inputMode = "decimal";
  input.autocomplete = "off";
  input.size = 5;
  said.className = "tk-refused";
  said.setAttribute("role", "status");
  label.append(name, input);
  el.classList.add("tk-number-box");
  el.append(label, said);

  function say() {
    const words = model.get("refused");
    said.textContent = words;
    input.setAttribute("aria-invalid", words ? "true" : "false");
    if (!words) input.value = String(model.get("value"));
  }

  function faultOf(text) {
    const value = toNumber(text);
    const [low, high] = [model.get("low"), model.get("high")];
    if (text.trim() === "") return "nothing typed";
    if (Number.isNaN(value)) return `${text.trim()} is not a number`;
    if (model.get("whole") && !Number.isInteger(value)) return `${value} is not whole`;
    if (value < low) return `${value} is under ${low}`;
    return value > high ? `${value} is over ${high}` : "";
  }

  function take() {
    const fault = faultOf(input.value);
    if (!fault) model.set("value", toNumber(input.value));
    model.set("refused", fault ? `${fault}: ${model.get("value")} counts` : "");
    model.save_changes();
    say();
  }

  function step(times) {
    const typed = toNumber(input.value);
    const from = Number.isNaN(typed) ? model.get("value") : typed;
    const moved = Number((from + times * model.get("step")).toFixed(6));
    input.value = String(Math.min(Math.max(moved, model.get("low")), model.get("high")));
    take();
  }

  input.addEventListener("change", take);
  input.addEventListener("keydown", (event) => {
    const times = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (times) step(times);
    if (times) event.preventDefault();
    if (event.key === "Escape") {
      model.set("refused", "");
      model.save_changes();
      say();
    }
    event.stopPropagation();
  });
  model.on("change:value", say);
  model.on("change:refused", say);
  say();
}

export default { render };
