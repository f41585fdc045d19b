// The round over the planting: trees tallied plot by plot, barriers looked at and ticked off.

const YES_NO = [["1", "yes"], ["0", "no"], ["", "cannot tell"]];

function newTree(carried = {}) {
  return {entry: {site: WORK.site, visit: momentNow().slice(0, 10), ...carried}, more: false, last: null};
}

/** The plot of today's last tree, so that somebody whose phone went dark goes on there. */
function whereLeftOff() {
  const last = latest("tree").at(-1)?.values.entry;
  if (!last?.tree || last.visit !== momentNow().slice(0, 10)) return {};
  const {plot, plot_area_m2, stratum} = last;
  return {plot, plot_area_m2, stratum};
}

function tallyView() {
  if (!now.db) return [heading("Tally"), el("p", {className: "told"}, nothingKept()), home()];
  tree ??= newTree(whereLeftOff());
  const {entry} = tree, set = name => value => { entry[name] = value.trim(); }, tell = name => WORK.fields.find(one => one.name === name).tell;
  const there = WORK.trees.filter(one => one.plot === entry.plot);
  const done = new Set(latest("tree").filter(one => one.values.entry.plot === entry.plot && one.values.entry.visit === entry.visit).map(one => one.values.entry.tree));
  const open = there.filter(one => !done.has(one.tree)).slice(0, 12);
  const kinds = [...new Set([...latest("tree").map(one => one.values.entry.species).reverse(), ...WORK.trees.map(one => one.species)].filter(Boolean))].slice(0, 5);
  const choose = (name, label, options) => choices(tell(name) ? `${label}: ${tell(name).replace(/^[01] where /, "").split(";")[0]}` : label, options, entry[name] ?? options.at(-1)[0], key => { entry[name] = key; });
  const been = new Set(latest("tree").filter(one => one.values.entry.visit === entry.visit).map(one => one.values.entry.plot));
  const plots = entry.plot ? [] : [...new Set([...WORK.plots, ...WORK.trees.map(one => one.plot)])].filter(name => !been.has(name))
    .sort(inOrder).slice(0, 24);
  return [heading("Tally"), plots.length ? choices("Plot", plots.map(name => [name, name]), "", key => { entry.plot = key; }) : null, el("div", {className: "two"}, el("div", {}, plotField(entry.plot ?? "", set("plot"))),
      field("Tree: tag or number", entry.tree ?? "", set("tree"), {autocapitalize: "characters"})),
    open.length ? el("div", {className: "choices"}, open.map(one => button(one.tree, () => { takeUp(one); show(false); }))) : null,
    tree.last ? paragraph(el("small", {}, `Last time (${tree.last.day}): ${tree.last.species ?? "no species"}${tree.last.height_cm ? `, ${tree.last.height_cm} cm` : ""}${tree.last.protection ? `, ${tree.last.protection}` : ""}.`)) : null,
    kinds.length ? choices("Species", kinds.map(kind => [kind, kind]), entry.species, key => { entry.species = key; }) : null,
    el("div", {className: "two"}, field(kinds.length ? "Other species" : "Species", kinds.includes(entry.species) ? "" : entry.species ?? "", set("species")),
      numberField("Height [cm]", entry.height_cm ?? "", set("height_cm"))),
    choose("browsed", "Leader bitten", YES_NO),
    choices("Stem", [["rubbed", "rubbed"], ["stripped", "stripped"], ["gnawed", "gnawed"], ["broken", "broken"], ["", "whole"]], entry.stem_damage ?? "", key => { entry.stem_damage = key; }),
    el("details", {open: tree.more, ontoggle: event => { tree.more = event.target.open; }}, el("summary", {}, "More"),
      choose("free_of_weeds", "Above weeds", YES_NO), choose("browsed_before", "Bitten before", YES_NO),
      el("div", {className: "two"}, numberField("Laterals seen, to 10", entry.laterals_seen ?? "", set("laterals_seen")), numberField("of them bitten", entry.laterals_browsed ?? "", set("laterals_browsed"))),
      field("Protected by", entry.protection ?? "", set("protection")),
      choose("protection_state", "State of it", [["whole", "whole"], ["damaged", "damaged"], ["down", "down"], ["", "not told"]]),
      choose("alive", "Alive", [["1", "yes"], ["0", "dead"], ["", "not told"]]), choices("Counts: far enough from those counted already", [["1", "yes"], ["0", "too near"], ["", "not judged"]], entry.well_spaced ?? "", key => { entry.well_spaced = key; }),
      choices("Plot reached; when not, say why in the note", [["1", "yes"], ["0", "no"], ["", "not told"]], entry.reached ?? "", key => { entry.reached = key; }),
      numberField("Area of the plot [m²]", entry.plot_area_m2 ?? "", set("plot_area_m2")), field("Part of the ground", entry.stratum ?? "", set("stratum")),
      field("Note", entry.note ?? "", set("note"))),
    el("div", {className: "start"}, entry.reached === "0" ? button("Keep this plot as not reached", keepEmptyPlot, {className: "main"}) : button("Keep this tree", keepTree, {className: "main"}),
      el("div", {className: "two"}, button("Another plot", anotherPlot), button("No trees in this plot", keepEmptyPlot, {disabled: done.size > 0 || entry.reached === "0"}))),
    entry.plot ? paragraph(`${done.size} kept of this plot today.`) : null, home()];
}

function takeUp(one) {
  const {plot, tree: tag, day, height_cm, ...rest} = one;
  tree = {...newTree({...tree.entry, ...rest, plot, tree: tag, height_cm: ""}), more: tree.more, last: one};
}

function anotherPlot() {
  const {plot_area_m2} = tree.entry;
  tree = {...newTree({plot_area_m2}), more: tree.more};
  show();
}

async function keepEmptyPlot() {
  const {site, visit, plot, plot_area_m2, stratum, reached, note} = tree.entry;
  if (await keepEntry({site, visit, plot, plot_area_m2, stratum, reached, note})) anotherPlot();
}

function keepTree() {
  return keepEntry(tree.entry);
}

async function keepEntry(told) {
  const entry = Object.fromEntries(Object.entries(told).map(([name, value]) => [name, String(value ?? "").trim().replace(/^(\d+),(\d+)$/, "$1.$2")]).filter(([, value]) => value !== ""));
  const wrong = tallyProblems(entry, WORK.fields, momentNow().slice(0, 10));
  if (wrong.length) return say(wrong.join(" "));
  const before = latest("tree").find(({values}) => ["plot", "tree", "visit"].every(name => (values.entry[name] ?? "") === (entry[name] ?? "")));
  if (await keep("tree", {entry}, [], before?.record ?? null, entry.tree ? `tree ${entry.tree}` : `plot ${entry.plot} ${entry.reached === "0" ? "as not reached" : "without trees"}`)) {
    const {plot, plot_area_m2, stratum, species, protection} = entry, tag = nextTag(entry.tree ?? "");
    const next = WORK.trees.find(one => one.plot === plot && one.tree === tag), {more} = tree;
    tree = {...newTree({plot, plot_area_m2, stratum, species, protection, tree: tag}), more};
    if (next) takeUp(next);
    show();
    return true;
  }
}

function dueView() {
  const checks = new Map(latest("check").map(one => [one.values.barrier, one.values]));
  const items = WORK.due.filter(one => one.barrier), season = WORK.due.filter(one => !one.barrier);
  const open = items.filter(one => !checks.has(one.barrier));
  return [heading("Barriers due"), paragraph(`As of ${WORK.made}: ${items.length} to look at, ${items.length - open.length} ticked off here.`),
    el("ul", {className: "list"}, [...open, ...items.filter(one => checks.has(one.barrier))].slice(now.from, now.from + DUE_AT_ONCE).map(one => el("li", {},
      el("b", {}, `${one.label || "a barrier"}: ${one.what}`), el("br"), el("small", {}, [one.kind, one.why, one.act_by ? `by ${one.act_by}` : ""].filter(Boolean).join("; ")),
      el("div", {className: "start"}, button(checks.has(one.barrier) ? `Looked at: ${checks.get(one.barrier).finding}` : "I looked at it",
        () => { look = {item: one, finding: "", stem: "", note: ""}; go("look"); }, {disabled: !now.db, "aria-label": `I looked at it: ${one.label}`}))))),
    now.from ? null : season.slice(0, 2).map(one => el("p", {className: "told"}, [one.what, one.why].filter(Boolean).map(words => words[0].toUpperCase() + words.slice(1).replace(/[.\s]*$/, ".")).join(" "))),
    items.length <= DUE_AT_ONCE ? null : el("div", {className: "two"}, button("Earlier ones", () => { now.from -= DUE_AT_ONCE; show(); }, {disabled: now.from === 0}),
      button("Further ones", () => { now.from += DUE_AT_ONCE; show(); }, {disabled: now.from + DUE_AT_ONCE >= items.length})), home()];
}

function lookView() {
  const {item} = look;
  return [heading(item.label || "A barrier"), paragraph(item.what), paragraph(el("small", {}, item.why)),
    item.caution ? el("p", {className: "care"}, item.caution) : null,
    choices("How is it?", WORK.findings.map(one => [one, one]), look.finding, key => { look.finding = key; }),
    numberField("Stem at its thickest inside [mm], if measured", look.stem, value => { look.stem = value; }),
    field("Note", look.note, value => { look.note = value; }),
    el("div", {className: "start"}, button("Tick it off", keepLook, {className: "main"}), button("Back to the list", () => go("due")))];
}

async function keepLook() {
  if (!look.finding) return say("Say how it is.");
  const stem = asNumber(look.stem);
  if (look.stem && (stem === null || stem < 0 || stem > 10000)) return say("The stem is a number of millimetres.");
  const values = {barrier: look.item.barrier, label: look.item.label, day: momentNow().slice(0, 10), finding: look.finding, stem_diameter_mm: stem, note: look.note.trim()};
  if (await keep("check", values, [], null, `barrier ${look.item.label}, ${look.finding}`)) go("due");
}
