// How is a step built: elements, fields, choices as buttons, drawings, numbers in words? Words that came from elsewhere are
// set as text, never as markup.

function el(tag, props = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && !name.startsWith("aria") && name !== "list") made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.flat().filter(child => child !== null && child !== undefined && child !== ""));
  return made;
}

const button = (words, onclick, more = {}) => el("button", {type: "button", onclick, ...more}, words);
const paragraph = (...words) => el("p", {}, ...words);
const heading = words => el("h2", {tabIndex: -1}, words);

function field(label, value, oninput, more = {}) {
  const id = `field ${label}`.replace(/\W+/g, "-");
  return el("div", {}, el("label", {htmlFor: id}, label), el("input", {id, value, autocomplete: "off", oninput: event => oninput(event.target.value), ...more}));
}

const numberField = (label, value, oninput) => field(label, value, oninput, {inputMode: "decimal", type: "text", pattern: "[0-9]*[.,]?[0-9]*"});
const asNumber = text => { const value = Number(String(text).replace(",", ".")); return text !== "" && Number.isFinite(value) ? value : null; };

/** Choices as buttons, one of which is pressed. */
function choices(label, options, chosen, onchoose) {
  return el("fieldset", {}, el("legend", {}, label), el("div", {className: "choices"}, options.map(([key, words]) =>
    button(words, () => { onchoose(key); show(false); }, {"aria-pressed": String(key === chosen)}))));
}

function drawing(lines) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 30 24");
  svg.setAttribute("aria-hidden", "true");
  for (const {width, dash, path} of lines) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "path");
    made.setAttribute("d", path);
    made.setAttribute("stroke-width", width);
    if (dash) made.setAttribute("stroke-dasharray", "2 1");
    svg.append(made);
  }
  return svg;
}

function bar(share) {
  const inner = el("i");
  inner.style.width = `${(100 * share).toFixed(1)}%`;
  return el("span", {className: "bar"}, inner);
}

const percent = share => share < 0.01 ? "under 1 %" : share > 0.99 ? "over 99 %" : `${Math.round(100 * share)} %`;
const lengthOf = mm => mm >= 1000 ? `${(mm / 1000).toFixed(2)} m` : `${Number(mm.toPrecision(3))} mm`;
