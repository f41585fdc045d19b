// Keeping a wound with tag, photos and position, and the list of what is kept.

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

/** Names by the numbers in them: 2 before 10. */
function inOrder(one, other) {
  return one.localeCompare(other, "en", {numeric: true});
}

function plotField(value, set) {
  const names = [...new Set([...WORK.plots, ...WORK.trees.map(one => one.plot), ...latest("tree").map(one => one.values.plot)])].sort(inOrder);
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
    // Chromium on a full disk: "Failed to write blobs (IOError)"
    const full = problem?.name === "QuotaExceededError" || /quota|full|space|failed to write/i.test(problem?.message ?? "");
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
    el("ul", {className: "list lean"}, all.map(one => el("li", {}, inShort(one), now.handed.has(one.id) ? " (handed over) " : " ",
      button("strike out", async () => {
        if (await keep(one.kind, {...one.values, deleted: true}, [], one.record, `struck out: ${inShort(one)}`)) show(false);
      }, {"aria-label": `strike out: ${inShort(one)}`})))), home()];
}

function countWords() {
  const kept = latest().length, open = waiting().length;
  return kept || open ? `${kept} kept on this phone; ${open} ${open === 1 ? "is" : "are"} not yet handed over.` : "Nothing is kept on this phone.";
}
