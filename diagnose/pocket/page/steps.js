// What is shown, step by step. Only asking and showing: judging stands in model.js, keeping in keep.js. Words that came from
// elsewhere are set as text, never as markup.

const TABLES = JSON.parse(document.getElementById("tables").textContent);
const WORK = JSON.parse(document.getElementById("work").textContent);
const MODEL = makeModel(TABLES), ASKING = makeAsking(MODEL), BARRIER = makeBarrier(MODEL);
const STORE = `browse pocket ${WORK.log ?? "no log"} ${WORK.site}`;
const DUE_AT_ONCE = 5;
const MOST_IN_A_FILE = 200e6;  // bytes of photos; more goes into a second file

const now = {view: "start", db: null, can: [], persisted: null, versions: [], handed: new Set(), said: "", by: "", made: null, from: 0};
let wound = newWound(), tree = null, look = null;

function newWound(tag = "") {
  return {signs: {}, passed: [], snow: "", photos: [], tag, plot: "", note: "", grid: "", position: null, several: []};
}

// ---- building elements ----

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

// ---- the verdict ----

let judged = {key: "", verdict: null, step: null};
function verdictNow() {
  const snowMm = asNumber(wound.snow), given = {signs: wound.signs, month: new Date().getMonth() + 1, snowMm};
  const key = JSON.stringify([given, wound.passed]);
  if (judged.key !== key) {
    const verdict = MODEL.judge(given);
    judged = {key, verdict, step: ASKING.nextStep(verdict, wound.passed), reasons: null, snowMm};
  }
  return judged;
}

function statement(verdict) {
  if (verdict.leading !== null) {
    return `Most likely ${MODEL.nameOf(verdict.leading)}: ${percent(MODEL.shareOf(verdict.culprits, verdict.leading))}.`;
  }
  const pair = Object.keys(verdict.groups).sort((a, b) => verdict.groups[b] - verdict.groups[a]).slice(0, 2);
  return `Cannot tell yet. Likeliest: ${pair.map(key => `${TABLES.groups[key].name} ${percent(verdict.groups[key])}`).join(", ")}.`;
}

function headline() {
  const {verdict} = verdictNow();
  if (!Object.keys(wound.signs).length) return null;
  const strength = verdict.leading === null ? Math.max(...Object.values(verdict.groups)) : MODEL.shareOf(verdict.culprits, verdict.leading);
  return el("div", {className: verdict.leading === null ? "verdict open" : "verdict", role: "status"}, statement(verdict), bar(strength));
}

/** Why nothing should be bought yet; empty where the verdict carries a barrier. */
function findOutFirst() {
  const {verdict, step} = verdictNow();
  const why = !Object.keys(wound.signs).length ? "nothing was answered" : verdict.leading === null ? "it cannot be told yet what did it" : "";
  if (!why) return "";
  return `Do not buy yet: ${why}. ` + (step.question === null ? settle(verdict) : `Find out first: ${MODEL.signOf.get(step.question).question}`);
}

function settle(verdict) {
  const first = TABLES.culprits.find(one => one.key === MODEL.firstOf(verdict));
  return first.animal ? "A trail camera for a week or two, or tracks in fresh snow or raked soil, would settle it; saliva DNA can while the bite is fresh."
    : "Look for the cause itself: insects, frass, recent frost, spraying or machine work.";
}

function signWords(name) {
  const word = MODEL.signOf.get(name), sign = wound.signs[name];
  const said = choice => word.words[word.choices.indexOf(choice)];
  if ("choice" in sign) return `${word.label}: ${said(sign.choice)}`;
  if ("found" in sign) return `${word.label}: ${sign.found.map(said).join(" and ")}${sign.complete ? "; nothing else there" : ""}`;
  return `${word.label}: ${sign.value} ${word.unit}`;
}

// ---- the key ----

const TABS = [["question", "Question"], ["why", "Why"], ["barrier", "Barrier"], ["answers", "Answers"], ["keep", "Keep"]];

function tabs() {
  return el("nav", {className: "tabs", "aria-label": "Steps of this wound"}, TABS.map(([view, words]) =>
    button(words, () => go(view), now.view === view ? {"aria-current": "step"} : {})));
}

function questionView() {
  const {step} = verdictNow();
  if (step.question === null) {
    return [headline(), heading("No more questions"), paragraph(`${step.reason[0].toUpperCase()}${step.reason.slice(1)}.`),
            el("p", {className: "told"}, findOutFirst() || barrierLine(requirement())),
            el("div", {className: "start"}, button("See the barrier", () => go("barrier")), button("Keep this wound", () => go("keep"), {className: "main"}))];
  }
  const word = MODEL.signOf.get(step.question);
  const answer = sign => {
    if (sign === null) wound.passed.push(word.name);
    else wound.signs[word.name] = sign;
    wound.several = [];
    saveDraft();
    show();
  };
  const pressed = wound.several;
  const one = (choice, i) => button([word.drawings?.[choice] ? drawing(word.drawings[choice]) : null, el("span", {}, word.words[i])], () => {
    if (!word.several || choice === "none") return answer({choice});
    wound.several = pressed.includes(choice) ? pressed.filter(each => each !== choice) : pressed.length < 4 ? [...pressed, choice] : pressed;
    show(false);
  }, word.several && choice !== "none" ? {"aria-pressed": String(pressed.includes(choice))} : {});
  return [headline(), heading(word.question), paragraph(el("small", {}, word.help)),
    el("div", {className: "answers", role: "group", "aria-label": word.question}, word.choices.map(one),
      button(word.several ? "did not look" : "don't know", () => answer(null))),
    word.several ? el("div", {className: "start"}, button("That is all I found", () => answer(
      pressed.length === 1 ? {choice: pressed[0]} : {found: pressed, complete: false}), {className: "main", disabled: !pressed.length})) : null];
}

function whyView() {
  const {verdict} = verdictNow();
  if (!Object.keys(wound.signs).length) return [heading("Why"), paragraph("Answer a question first.")];
  judged.reasons ??= MODEL.reasons(verdict);
  const target = MODEL.nameOf(verdict.leading ?? MODEL.firstOf(verdict)), told = judged.reasons.filter(one => Math.abs(one.weight) > 0.05);
  const times = weight => { const odds = Math.exp(Math.min(Math.abs(weight), 9)); return odds >= 10 ? odds.toFixed(0) : odds.toFixed(1); };
  const other = verdict.culprits[MODEL.keys.indexOf(TABLES.limits.not_listed)];
  return [headline(), heading("How likely each is"), MODEL.ranked(verdict).slice(0, 5).map(([key, share]) =>
    el("div", {className: "share"}, el("span", {}, MODEL.nameOf(key)), bar(share), el("b", {}, percent(share)))),
    told.length ? el("h3", {}, `What speaks for ${target}, and what against, in odds`) : null,
    told.length ? el("table", {}, el("tbody", {}, [...told].sort((a, b) => b.weight - a.weight).map(one =>
      el("tr", {}, el("td", {}, signWords(one.sign)), el("td", {}, `${one.weight > 0 ? "for ×" : "against ÷"}\u00a0${times(one.weight)}`))))) : null,
    other >= TABLES.limits.outside ? el("p", {className: "told"}, "The signs do not fit anything listed well. Look again at the freshest damage, "
      + "or ask somebody local who knows animal signs.") : null,
    el("p", {}, el("small", {}, TABLES.where.words)), el("p", {}, el("small", {}, settle(verdict)))];
}

function requirement() {
  const {verdict, snowMm} = verdictNow();
  return BARRIER.require(verdict, snowMm !== null && snowMm >= 0 && snowMm <= TABLES.barrier.most_snow_mm ? snowMm : 0);
}

function barrierLine(found) {
  if (found.kind === null) return "Barrier: none helps against this.";
  const fine = found.figures["finer mesh at the base"] ? ", with finer mesh round the base" : "";
  return `Barrier: ${found.kind}${fine}, against ${found.stops.join(" and ")}.`;
}

function barrierView() {
  const first = findOutFirst();
  if (!Object.keys(wound.signs).length) return [heading("Barrier"), el("p", {className: "told"}, first)];
  const found = requirement(), {snowMm} = verdictNow();
  const rows = Object.entries(found.figures).map(([name, figure]) => [name, lengthOf(figure.mm)]);
  if (found.base) rows.push(["at the ground", found.base]);
  const sizes = [paragraph(el("b", {}, barrierLine(found))), found.instead.map(words => el("p", {className: "told"}, words)),
    el("table", {}, el("tbody", {}, rows.map(([name, value]) => el("tr", {}, el("td", {}, name), el("td", {}, value))))),
    found.leavesOpen.length ? paragraph(`Does not stop: ${found.leavesOpen.join(", ")}.`) : null,
    found.also.map(words => paragraph(`Also: ${words}.`))];
  return [headline(), heading(first ? "Do not buy yet" : "What stops it"),
    first ? el("p", {className: "told"}, first) : null,
    first ? el("details", {}, el("summary", {}, "What would suit if the likeliest did it"), sizes) : sizes,
    paragraph(snowMm === null ? "Without snow: say under Answers how deep it lies." : `With ${Math.round(snowMm)} mm of snow.`),
    first ? null : el("div", {className: "care"}, el("ul", {}, found.cautions.slice(0, 2).map(words => el("li", {}, words)))),
    el("div", {className: "start"}, button(`Take care: all ${found.cautions.length} points`, () => go("care")),
      button("What fails, and where the sizes come from", () => go("sources")))];
}

function careView() {
  return [headline(), heading("Take care"), el("div", {className: "care"}, el("ul", {}, requirement().cautions.map(words => el("li", {}, words)))), toBarrier()];
}

function sourcesView() {
  const found = requirement();
  return [headline(), heading("What fails, and where the sizes come from"), found.fails.map(words => paragraph(`Fails: ${words}.`)),
    Object.entries(found.figures).map(([name, figure]) => paragraph(el("small", {}, `${name}: ${figure.source}${figure.note ? `; ${figure.note}` : ""}`))), toBarrier()];
}

const toBarrier = () => el("div", {className: "start"}, button("Back to the barrier", () => go("barrier")));

function answersView() {
  const numbers = ["end_diameter_mm", "wound_height_mm", "stem_diameter_mm", "tooth_width_mm"].map(name => MODEL.signOf.get(name));
  const setNumber = (word, text) => {
    const value = asNumber(text);
    if (value === null || value < word.low || value > word.high) delete wound.signs[word.name];
    else wound.signs[word.name] = {value, sigma: Math.max(word.reading[0] * value, word.reading[1])};
    saveDraft();
  };
  const told = Object.keys(wound.signs).filter(name => MODEL.signOf.get(name).kind === "choice");
  return [headline(), heading("What was answered"),
    told.length || wound.passed.length ? null : paragraph("Nothing yet."),
    el("ul", {className: "list lean"}, told.map(name => el("li", {}, signWords(name), button("take back", () => {
      delete wound.signs[name];
      saveDraft();
      show(false);
    }, {"aria-label": `take back: ${signWords(name)}`}))), wound.passed.map(name => el("li", {}, `${MODEL.signOf.get(name).question} don't know`, button("ask again", () => {
      wound.passed = wound.passed.filter(each => each !== name);
      show(false);
    }, {"aria-label": `ask again: ${MODEL.signOf.get(name).question}`})))),
    el("details", {}, el("summary", {}, "Measured with a rule or tape, and snow"),
    numberField("How deep did the snow lie then [mm]?", wound.snow, value => { wound.snow = value; }),
    numbers.map(word => numberField(word.question, wound.signs[word.name]?.value ?? "", text => setNumber(word, text)))),
    el("div", {className: "start"}, button("Judge with these", () => go("why")))];
}

// ---- keeping a wound ----

function keepView() {
  if (!now.db) return [heading("Keep this wound"), el("p", {className: "told"}, nothingKept())];
  return [heading("Keep this wound"), headline(),
    field("Tag of the plant", wound.tag, value => { wound.tag = value; }, {autocapitalize: "characters"}),
    plotField(wound.plot, value => { wound.plot = value; }),
    el("label", {htmlFor: "photos"}, "Photos, the card beside the wound"),
    el("input", {type: "file", id: "photos", accept: "image/*", multiple: true, onchange: event => addPhotos([...event.target.files])}),
    el("div", {className: "photos"}, wound.photos.map((photo, i) => el("img", {src: photo.url, alt: `photo ${i + 1}`}))),
    wound.photos.some(photo => photo.place === false) ? paragraph(el("small", {}, "No place is inside "
      + `${wound.photos.filter(photo => photo.place === false).length} of the photos: take the position here.`)) : null,
    el("div", {className: "start"}, button(wound.position ? `Position taken, ± ${Math.round(wound.position.error_m)} m` : "Take my position", takePosition,
      {disabled: !canDo("tell the position")})),
    wound.position ? null : field("Or the grid, read from a map", wound.grid, value => { wound.grid = value; }),
    el("label", {htmlFor: "note"}, "Note"), el("textarea", {id: "note", value: wound.note, oninput: event => { wound.note = event.target.value; }}),
    field("Your initials", now.by, value => { now.by = value.slice(0, 8); }),
    el("div", {className: "start"}, button("Keep it", keepWound, {className: "main"}))];
}

function plotField(value, set) {
  const names = [...new Set([...WORK.plots, ...WORK.trees.map(one => one.plot), ...latest("tree").map(one => one.values.plot)])].sort();
  if (!names.length) return field("Plot, as on the stake", value, set);
  return el("div", {}, field("Plot, as on the stake", value, set, {list: "plots"}), el("datalist", {id: "plots"}, names.map(name => el("option", {value: name}))));
}

async function addPhotos(files) {
  for (const file of files) {
    const photo = await photoOf(file);
    wound.photos.push({...photo, url: URL.createObjectURL(new Blob([photo.bytes], {type: photo.type}))});
  }
  saveDraft(true);
  show(false);
}

function takePosition() {
  navigator.geolocation.getCurrentPosition(found => {
    const {latitude, longitude, accuracy} = found.coords;
    wound.position = {lat: latitude, lon: longitude, error_m: accuracy, at: momentNow(new Date(found.timestamp))};
    show(false);
  }, problem => say(`No position: ${problem.message || "not allowed"}. Read the grid from a map.`), {enableHighAccuracy: true, timeout: 30000, maximumAge: 0});
}

async function keepWound() {
  const {verdict, step, snowMm} = verdictNow();
  if (!Object.keys(wound.signs).length && !wound.photos.length) return say("Nothing to keep yet: answer a question or take a photo.");
  const photos = wound.photos.map(({url, ...photo}) => photo);
  const values = {
    site: WORK.site, plot: wound.plot.trim(), plant: wound.tag.trim(), note: wound.note.trim(), grid: wound.grid.trim(), taken_at: momentNow(),
    signs: wound.signs, passed: wound.passed, snow_mm: snowMm, position: wound.position, place: TABLES.where.given,
    photos: photos.map(({bytes, ...about}) => about),
    told: {leading: verdict.leading, statement: statement(verdict), next: step.question, catalogue: TABLES.version,
           culprits: Object.fromEntries(MODEL.keys.map((key, k) => [key, verdict.culprits[k]]))},
  };
  const words = wound.tag.trim() ? `the wound on ${wound.tag.trim()}` : "the wound";
  if (await keep("wound", values, photos, null, words)) {
    const tag = wound.tag;
    await dropDraft();
    wound = newWound(nextTag(tag));
    go("start");
  }
}

/** Keeps one version with its photos; true when it is on the disk, and only then said. */
async function keep(kind, values, photos, recordId, words) {
  const made = version(kind, values, now.by, recordId, now.versions.filter(one => one.record === recordId).slice(-1).map(one => one.id));
  try {
    await write(now.db, [["versions", made], ...photos.map(photo => ["photos", photo])]);
  } catch (problem) {
    const full = problem?.name === "QuotaExceededError" || /quota|full/i.test(problem?.message ?? "");
    say(`Not kept: ${words}. ${full ? "The phone has no room: hand over, then take off what was handed over, and press again."
      : `The browser refused (${problem?.message ?? problem}); press again.`}`);
    return false;
  }
  now.versions.push(made);
  say(`Kept: ${words}.`);
  return true;
}

function saveDraft(withPhotos = false) {
  if (!now.db) return;
  const {photos, position, ...plain} = wound;
  const rows = [["draft", {id: "wound", ...plain}]];
  if (withPhotos) rows.push(["draft", {id: "photos", photos: photos.map(({url, ...photo}) => photo)}]);
  write(now.db, rows).catch(() => {});
}

async function dropDraft() {
  await write(now.db, [], [["draft", "wound"], ["draft", "photos"]]).catch(() => {});
}

// ---- what is kept ----

/** The newest version of each record of a kind that is not struck out. */
function latest(kind) {
  const found = new Map();
  for (const one of now.versions) if (!kind || one.kind === kind) found.set(one.record, one);
  return [...found.values()].filter(one => !one.values.deleted);
}

const waiting = () => now.versions.filter(one => !now.handed.has(one.id));

function inShort(one) {
  const {values} = one, when = one.at.slice(0, 16).replace("T", " ");
  const what = one.kind === "wound" ? `wound${values.plant ? ` on ${values.plant}` : ""}: ${values.told.statement}`
    : one.kind === "tree" ? (values.entry.tree ? `tree ${values.entry.tree} in plot ${values.entry.plot}` : `plot ${values.entry.plot} without trees`)
      : `barrier ${values.label}: ${values.finding}`;
  return `${when} ${what}`;
}

function keptView() {
  const all = latest().reverse().slice(0, 12);
  return [heading("What is kept here"), paragraph(countWords(), " The last twelve:"),
    el("ul", {className: "list"}, all.map(one => el("li", {}, inShort(one), now.handed.has(one.id) ? " (handed over) " : " ",
      button("strike out", async () => {
        if (await keep(one.kind, {...one.values, deleted: true}, [], one.record, `struck out: ${inShort(one)}`)) show(false);
      }, {"aria-label": `strike out: ${inShort(one)}`})))), home()];
}

function countWords() {
  const kept = latest().length, open = waiting().length;
  return kept || open ? `${kept} kept on this phone; ${open} ${open === 1 ? "is" : "are"} not yet handed over.` : "Nothing is kept on this phone.";
}

// ---- handing over ----

let passphrase = ["", ""];

function handOverView() {
  const open = waiting(), locks = canDo("lock a file"), {made} = now;
  if (made) {
    return [heading("Is the file safe?"), paragraph(`${made.name}: ${made.versions.length} entries, ${(made.blob.size / 1e6).toFixed(1)} MB${made.locked ? ", locked" : ", not locked"}.`),
      el("div", {className: "start"},
        el("a", {href: made.url, download: made.name, className: "file"}, "Save the file"),
        made.shares ? button("Share the file", () => navigator.share({files: [made.file]}).catch(problem => say(`Not shared: ${problem.message}`))) : null,
        button("It is there: count these as handed over", confirmHandOver, {className: "main"}),
        button("Not yet", () => { dropMade(); show(); })),
      paragraph(el("small", {}, "On the computer: diagnose log merge and the file's name. Twice does no harm."))];
  }
  return [heading("Hand over"), paragraph(countWords()),
    paragraph(el("small", {}, "What lies on this phone is not locked: whoever opens this page on it can read it. A newer page of the same planting "
      + "may start empty, and a moved file may too: hand over first.")),
    locks ? [field("Passphrase to lock the file; empty for none", passphrase[0], value => { passphrase[0] = value; }, {type: "password", autocomplete: "new-password"}),
      field("The same again", passphrase[1], value => { passphrase[1] = value; }, {type: "password", autocomplete: "new-password"})]
      : el("p", {className: "told"}, "This browser cannot lock the file here: the page was opened over plain http. What is handed over is not locked."),
    el("div", {className: "start"}, button(`Make the file of ${open.length} not yet handed over`, () => makeFile(open), {className: "main", disabled: !open.length}),
      button("Make the file of everything again", () => makeFile(now.versions), {disabled: !now.versions.length}),
      button("Take off what was handed over", takeOff, {disabled: !removable().length})), home()];
}

async function makeFile(versions) {
  const [phrase, again] = passphrase;
  if (phrase !== again) return say("The two passphrases differ.");
  if (phrase && phrase.length < 12) return say("The passphrase needs 12 letters or more; four words are good.");
  const some = [];
  let size = 0;
  for (const one of versions) {
    size += (one.values.photos ?? []).reduce((sum, photo) => sum + photo.size, 0);
    if (some.length && size > MOST_IN_A_FILE) break;
    some.push(one);
  }
  say("Making the file.");
  try {
    const about = {site: WORK.site, log: WORK.log, made: momentNow(), page: WORK.made, catalogue: TABLES.version, by: now.by};
    let blob = await handOver(now.db, some, about);
    if (phrase) blob = await lock(blob, phrase);
    const plain = WORK.site.normalize("NFKD").replace(/[^\w-]+/g, "-").replace(/^-+|-+$/g, "") || "site";
    const name = `${plain}-${momentNow().slice(0, 16).replace(/[T:]/g, "-")}-${some[0].id.slice(0, 4)}.${phrase ? "locked" : "zip"}`;
    const file = new File([blob], name, {type: blob.type});
    let shares = false;
    try { shares = Boolean(navigator.canShare?.({files: [file]})); } catch { shares = false; }
    now.made = {blob, name, file, shares, locked: Boolean(phrase), versions: some, url: URL.createObjectURL(blob)};
    passphrase = ["", ""];
    say(some.length < versions.length ? `This file holds ${some.length} of ${versions.length}; make another afterwards.` : "");
    show();
  } catch (problem) {
    say(`No file was made: ${problem?.message ?? problem}.`);
  }
}

async function confirmHandOver() {
  const marks = now.made.versions.map(one => ["handed", {id: one.id, at: momentNow()}]);
  await write(now.db, marks);
  for (const one of now.made.versions) now.handed.add(one.id);
  dropMade();
  say("Counted as handed over.");
  show();
}

function dropMade() {
  URL.revokeObjectURL(now.made.url);
  now.made = null;
}

/** Versions of records all of which were handed over. */
function removable() {
  const open = new Set(waiting().map(one => one.record));
  return now.versions.filter(one => !open.has(one.record));
}

async function takeOff() {
  const off = removable();
  if (!confirm(`Take ${off.length} entries that were handed over off this phone? Their photos go too.`)) return;
  await write(now.db, [], off.flatMap(one => [["versions", one.id], ["handed", one.id], ...(one.values.photos ?? []).map(photo => ["photos", photo.id])]));
  now.versions = now.versions.filter(one => !off.includes(one));
  say(`${off.length} entries taken off.`);
  show();
}

// ---- the tally ----

const YES_NO = [["1", "yes"], ["0", "no"], ["", "cannot tell"]];

function newTree(carried = {}) {
  return {entry: {site: WORK.site, visit: momentNow().slice(0, 10), ...carried}, more: false, last: null};
}

function tallyView() {
  if (!now.db) return [heading("Tally"), el("p", {className: "told"}, nothingKept()), home()];
  tree ??= newTree();
  const {entry} = tree, set = name => value => { entry[name] = value.trim(); }, tell = name => WORK.fields.find(one => one.name === name).tell;
  const there = WORK.trees.filter(one => one.plot === entry.plot);
  const done = new Set(latest("tree").filter(one => one.values.entry.plot === entry.plot && one.values.entry.visit === entry.visit).map(one => one.values.entry.tree));
  const open = there.filter(one => !done.has(one.tree)).slice(0, 12);
  const kinds = [...new Set([...latest("tree").map(one => one.values.entry.species).reverse(), ...WORK.trees.map(one => one.species)].filter(Boolean))].slice(0, 5);
  const choose = (name, label, options) => choices(tell(name) ? `${label}: ${tell(name).replace(/^[01] where /, "").split(";")[0]}` : label, options, entry[name] ?? options.at(-1)[0], key => { entry[name] = key; });
  const plots = entry.plot ? [] : [...new Set([...WORK.plots, ...WORK.trees.map(one => one.plot)])].sort().slice(0, 24);
  return [heading("Tally"), plots.length ? choices("Plot", plots.map(name => [name, name]), "", key => { entry.plot = key; }) : null, el("div", {className: "two"}, el("div", {}, plotField(entry.plot ?? "", set("plot"))),
      field("Tree: tag or number", entry.tree ?? "", set("tree"), {autocapitalize: "characters"})),
    open.length ? el("div", {className: "choices"}, open.map(one => button(one.tree, () => { takeUp(one); show(false); }))) : null,
    tree.last ? paragraph(el("small", {}, `Last time (${tree.last.day}): ${tree.last.species ?? "no species"}${tree.last.height_cm ? `, ${tree.last.height_cm} cm` : ""}${tree.last.protection ? `, ${tree.last.protection}` : ""}.`)) : null,
    kinds.length ? choices("Species", kinds.map(kind => [kind, kind]), entry.species, key => { entry.species = key; }) : null,
    el("div", {className: "two"}, field(kinds.length ? "Other species" : "Species", entry.species ?? "", set("species")),
      numberField("Height [cm]", entry.height_cm ?? "", set("height_cm"))),
    choose("browsed", "Leader bitten", YES_NO),
    choices("Stem", [["rubbed", "rubbed"], ["stripped", "stripped"], ["gnawed", "gnawed"], ["broken", "broken"], ["", "whole"]], entry.stem_damage ?? "", key => { entry.stem_damage = key; }),
    el("details", {open: tree.more, ontoggle: event => { tree.more = event.target.open; }}, el("summary", {}, "More"),
      choose("free_of_weeds", "Above weeds", YES_NO), choose("browsed_before", "Bitten before", YES_NO),
      el("div", {className: "two"}, numberField("Laterals seen, to 10", entry.laterals_seen ?? "", set("laterals_seen")), numberField("of them bitten", entry.laterals_browsed ?? "", set("laterals_browsed"))),
      field("Protected by", entry.protection ?? "", set("protection")),
      choose("protection_state", "State of it", [["whole", "whole"], ["damaged", "damaged"], ["down", "down"], ["", "not told"]]),
      choose("alive", "Alive", [["1", "yes"], ["0", "dead"], ["", "not told"]]), choose("well_spaced", "Counts", [["1", "yes"], ["0", "too near"], ["", "not judged"]]),
      choose("reached", "Plot reached", [["1", "yes"], ["0", "no"], ["", "not told"]]),
      numberField("Area of the plot [m²]", entry.plot_area_m2 ?? "", set("plot_area_m2")), field("Part of the ground", entry.stratum ?? "", set("stratum")),
      field("Note", entry.note ?? "", set("note"))),
    el("div", {className: "start"}, button("Keep this tree", keepTree, {className: "main"})), paragraph(`${done.size} kept of this plot today.`), home()];
}

function takeUp(one) {
  const {plot, tree: tag, day, height_cm, ...rest} = one;
  tree = {...newTree({...tree.entry, ...rest, plot, tree: tag, height_cm: ""}), more: tree.more, last: one};
}

async function keepTree() {
  const entry = Object.fromEntries(Object.entries(tree.entry).map(([name, value]) => [name, String(value ?? "").trim().replace(/^(\d+),(\d+)$/, "$1.$2")]).filter(([, value]) => value !== ""));
  const wrong = tallyProblems(entry, WORK.fields, momentNow().slice(0, 10));
  if (wrong.length) return say(wrong.join(" "));
  const before = latest("tree").find(({values}) => ["plot", "tree", "visit"].every(name => (values.entry[name] ?? "") === (entry[name] ?? "")));
  if (await keep("tree", {entry}, [], before?.record ?? null, entry.tree ? `tree ${entry.tree}` : `plot ${entry.plot} without trees`)) {
    const {plot, plot_area_m2, stratum, species, protection} = entry, tag = nextTag(entry.tree ?? "");
    const next = WORK.trees.find(one => one.plot === plot && one.tree === tag), {more} = tree;
    tree = {...newTree({plot, plot_area_m2, stratum, species, protection, tree: tag}), more};
    if (next) takeUp(next);
    show();
  }
}

// ---- barriers ----

function dueView() {
  const checks = new Map(latest("check").map(one => [one.values.barrier, one.values]));
  const items = WORK.due.filter(one => one.barrier), season = WORK.due.filter(one => !one.barrier);
  const open = items.filter(one => !checks.has(one.barrier));
  return [heading("Barriers due"), paragraph(`As of ${WORK.made}: ${items.length} to look at, ${items.length - open.length} ticked off here.`),
    el("ul", {className: "list"}, [...open, ...items.filter(one => checks.has(one.barrier))].slice(now.from, now.from + DUE_AT_ONCE).map(one => el("li", {},
      el("b", {}, `${one.label || "a barrier"}: ${one.what}`), el("br"), el("small", {}, [one.kind, one.why, one.act_by ? `by ${one.act_by}` : ""].filter(Boolean).join("; ")),
      el("div", {className: "start"}, button(checks.has(one.barrier) ? `Looked at: ${checks.get(one.barrier).finding}` : "I looked at it",
        () => { look = {item: one, finding: "", stem: "", note: ""}; go("look"); }, {disabled: !now.db, "aria-label": `I looked at it: ${one.label}`}))))),
    now.from ? null : season.slice(0, 2).map(one => el("p", {className: "told"}, `${one.what}. ${one.why}`)),
    el("div", {className: "two"}, button("Earlier ones", () => { now.from -= DUE_AT_ONCE; show(); }, {disabled: now.from === 0}),
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

// ---- the frame ----

const canDo = what => now.can.find(([name]) => name === what)?.[1] ?? false;

function nothingKept() {
  const why = now.can.find(([name]) => name === "keep records")?.[2] ?? "";
  return `This browser keeps nothing for this page (${why}): key, barrier and due list work, records do not. Write on paper, or open the page in another browser.`;
}

function whatItCannot() {
  const missing = now.can.filter(([, can]) => !can);
  const kept = now.persisted === null ? "not asked" : now.persisted ? "promised" : "not promised";
  return el("div", {className: "told"}, missing.length ? `This browser cannot: ${missing.map(([name]) => name).join(", ")}.` : "Tried out: this browser can do everything here.",
    el("details", {}, el("summary", {}, "What was tried"), el("ul", {}, now.can.map(([name, can, why]) => el("li", {}, `${name}: ${can ? "yes" : `no; ${why}`}`)),
      el("li", {}, `keep it even when the phone runs short of room: ${kept}`))));
}

const home = () => el("div", {className: "start"}, button("Back to the start", () => go("start")));

function startView() {
  const due = WORK.due.filter(one => one.barrier).length, unfinished = Object.keys(wound.signs).length || wound.photos.length;
  return [heading("What do you want to do?"), now.db ? null : el("p", {className: "told"}, nothingKept()),
    el("div", {className: "start"},
      button(unfinished ? "What bit it? Go on where you were" : "What bit it?", () => go("question"), {className: "main"}),
      unfinished ? button("Start a new wound; drop that one", async () => { await (now.db && dropDraft()); wound = newWound(); go("question"); }) : null,
      button("Tally trees on plots", () => go("tally")), button(`Barriers due (${due})`, () => go("due")),
      button("What is kept here", () => go("kept")), button("Hand over", () => go("hand"), {disabled: !now.db})),
    paragraph(countWords()), whatItCannot(), paragraph(el("small", {}, `Made on ${WORK.made}. ${TABLES.where.words} Print this page for the key on paper.`))];
}

const VIEWS = {start: startView, question: questionView, why: whyView, barrier: barrierView, care: careView, sources: sourcesView, answers: answersView, keep: keepView,
               tally: tallyView, due: dueView, look: lookView, kept: keptView, hand: handOverView};

function say(words) {
  now.said = words;
  const line = document.getElementById("said");
  if (line) line.textContent = words;
}

function go(view) {
  if (now.view !== view && !["start", "due", "hand"].includes(view)) now.said = "";
  now.view = view;
  show();
}

/** Draws the view anew. fresh : it is another step, read from its top. */
function show(fresh = true) {
  const page = document.getElementById("page"), inWound = TABS.some(([view]) => view === now.view) || ["care", "sources"].includes(now.view);
  const focused = document.activeElement?.id, pressed = document.activeElement?.textContent;
  page.replaceChildren(el("header", {}, el("h1", {}, WORK.site), now.view === "start" ? button("Light or dark", turnColours) : button("Start", () => go("start"))),
    el("p", {id: "said", role: "status", className: "told"}, now.said),
    el("main", {}, ...VIEWS[now.view]().flat(9).filter(Boolean)), ...(inWound ? [tabs()] : []));
  if (fresh) {
    scrollTo(0, 0);
    page.querySelector("h2")?.focus({preventScroll: true});
  } else {
    const again = (focused && document.getElementById(focused)) || [...page.querySelectorAll("button")].find(one => one.textContent === pressed);
    again?.focus({preventScroll: true});
  }
}

function turnColours() {
  const root = document.documentElement, dark = root.classList.contains("dark") || (!root.classList.contains("light") && matchMedia("(prefers-color-scheme: dark)").matches);
  root.classList.toggle("dark", !dark);
  root.classList.toggle("light", dark);
}

async function begin() {
  const {db, found} = await tryOut(STORE);
  now.db = db;
  now.can = found;
  if (db) {
    try { now.persisted = await navigator.storage?.persist?.() ?? null; } catch { now.persisted = null; }
    now.versions = (await readAll(db, "versions")).sort((a, b) => a.at < b.at ? -1 : 1);
    now.handed = new Set(await readKeys(db, "handed"));
    now.by = now.versions.at(-1)?.by ?? "";
    const draft = await readOne(db, "draft", "wound"), photos = await readOne(db, "draft", "photos");
    if (draft) Object.assign(wound, draft, {several: []});
    if (photos) wound.photos = photos.photos.map(photo => ({...photo, url: URL.createObjectURL(new Blob([photo.bytes], {type: photo.type}))}));
  }
  show();
}

begin();
