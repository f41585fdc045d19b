// Handing over: one file of what is kept, counted only when somebody says that it is safe.

let passphrase = ["", ""];

function handOverView() {
  const open = waiting(), locks = canDo("lock a file"), {made} = now;
  if (made) {
    return [heading("Is the file safe?"), paragraph(`${made.name}: ${made.versions.length} ${made.versions.length === 1 ? "entry" : "entries"}, ${(made.blob.size / 1e6).toFixed(1)} MB${made.locked ? ", locked" : ", not locked"}.`),
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
