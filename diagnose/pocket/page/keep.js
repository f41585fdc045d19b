// What is kept on the phone, in the browser's own database: added to, never changed, and told as kept only when the
// transaction is complete. A record is one or more versions; photos lie beside them as the picker gave them.

const STORES = ["versions", "photos", "handed", "draft"];

function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function openStore(name) {
  return new Promise((resolve, reject) => {
    if (!globalThis.indexedDB) return reject(new Error("this browser has no database"));
    const request = indexedDB.open(name, 1);
    request.onupgradeneeded = () => {
      for (const store of STORES) request.result.createObjectStore(store, {keyPath: "id"});
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    request.onblocked = () => reject(new Error("another tab holds the database"));
  });
}

/** Writes rows [[store, value], ...] all or none; resolved when they are on the disk. */
function write(db, rows, remove = []) {
  return new Promise((resolve, reject) => {
    const names = [...new Set([...rows, ...remove].map(([store]) => store))];
    const change = db.transaction(names, "readwrite", {durability: "strict"});
    change.oncomplete = () => resolve();
    change.onerror = () => reject(change.error ?? new Error("not written"));
    change.onabort = () => reject(change.error ?? new Error("not written"));
    try {
      for (const [store, value] of rows) change.objectStore(store).put(value);
      for (const [store, id] of remove) change.objectStore(store).delete(id);
    } catch (problem) {  // what went in before it must not stay alone
      reject(problem);
      change.abort();
    }
  });
}

function readAll(db, store) {
  return done(db.transaction(store).objectStore(store).getAll());
}

function readKeys(db, store) {
  return done(db.transaction(store).objectStore(store).getAllKeys());
}

function readOne(db, store, id) {
  return done(db.transaction(store).objectStore(store).get(id));
}

function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));  // over plain http; RFC 9562, version 4
  b[6] = b[6] & 15 | 64;
  b[8] = b[8] & 63 | 128;
  const hex = [...b].map(one => one.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

/** The moment with this phone's offset from UTC, ISO 8601. */
function momentNow(at = new Date()) {
  const two = value => String(Math.floor(Math.abs(value))).padStart(2, "0"), ahead = -at.getTimezoneOffset();
  const local = new Date(at.getTime() + ahead * 60000).toISOString().slice(0, 23);
  return `${local}${ahead < 0 ? "-" : "+"}${two(ahead / 60)}:${two(Math.abs(ahead) % 60)}`;
}

/** A new version of a record. record : null for a new one; seen : ids of the versions that it follows. */
function version(kind, values, by, record = null, seen = []) {
  const id = newId();
  return {id, record: record ?? id, kind, at: momentNow(), by, values, seen};
}

/** A photo as it is kept: the picker's own bytes, and what is known of them. */
async function photoOf(file) {
  const bytes = await file.arrayBuffer();
  const sha256 = globalThis.crypto?.subtle
    ? [...new Uint8Array(await crypto.subtle.digest("SHA-256", bytes))].map(one => one.toString(16).padStart(2, "0")).join("") : null;
  return {id: newId(), name: file.name, type: file.type, size: bytes.byteLength, bytes, sha256, crc: crcOf(new Uint8Array(bytes)),
          place: placeInside(new DataView(bytes))};
}

/** Whether a picture's own data hold a position: true, false, or null where this page cannot tell (CIPA DC-008, Exif). */
function placeInside(view) {
  if (view.byteLength < 12 || view.getUint16(0) !== 0xFFD8) return null;
  let at = 2;
  while (at + 10 < view.byteLength && view.getUint8(at) === 0xFF) {
    const marker = view.getUint8(at + 1), long = view.getUint16(at + 2);
    if (marker === 0xDA) break;
    if (marker === 0xE1 && view.getUint32(at + 4) === 0x45786966) return hasPosition(view, at + 10, at + 2 + long);
    at += 2 + long;
  }
  return false;
}

function hasPosition(view, start, end) {
  const little = view.getUint16(start) === 0x4949, last = Math.min(end, view.byteLength);
  const find = (from, wanted) => {
    if (from + 2 > last) return null;
    const count = view.getUint16(from, little);
    for (let i = 0; i < count && from + 14 + 12 * i <= last; i++) {
      if (view.getUint16(from + 2 + 12 * i, little) === wanted) return view.getUint32(from + 10 + 12 * i, little);
    }
    return null;
  };
  const gps = find(start + view.getUint32(start + 4, little), 0x8825);
  return gps !== null && find(start + gps, 2) !== null;
}

/** Has the page kept on this phone, so that it opens without a network; "" when it is, else why not. */
async function keepPage() {
  if (location.protocol === "file:") return "";
  if (!isSecureContext || !navigator.serviceWorker) return "the page was opened over plain http: leave this tab open, or copy the file to the phone";
  try {
    await navigator.serviceWorker.register("keeper.js");
    const {active} = await navigator.serviceWorker.ready, {port1, port2} = new MessageChannel();
    const said = new Promise(resolve => { port1.onmessage = event => resolve(event.data); });
    active.postMessage("keep", [port2]);
    const problem = await said;
    return problem && await caches.match(location.href, {ignoreVary: true}) ? "" : problem;
  } catch (problem) {
    return `this phone does not trust the computer's certificate yet (${problem?.message ?? problem}); until then copy the file to the phone`;
  }
}

/** What this browser can do here: tried, not guessed. Each is [word, can, why not]. */
async function tryOut(name) {
  const found = [];
  let db = null;
  try {
    db = await openStore(name);
    const probe = {id: "probe", value: newId()};
    await write(db, [["draft", probe]]);
    db.close();
    db = await openStore(name);
    if ((await readOne(db, "draft", "probe"))?.value !== probe.value) throw new Error("what was written did not come back");
    await write(db, [], [["draft", "probe"]]);
    found.push(["keep records", true, ""]);
  } catch (problem) {
    db = null;
    found.push(["keep records", false, String(problem?.message ?? problem)]);
  }
  found.push(["tell the position", Boolean(navigator.geolocation) && isSecureContext,
    "this page was opened in a way that gets none: read the grid from a map, or use the photo's own"]);
  found.push(["take photos", "capture" in document.createElement("input"), "choose photos taken before"]);
  let shares = false;
  try {
    shares = Boolean(navigator.canShare?.({files: [new File(["x"], "x.zip", {type: "application/zip"})]}));
  } catch { shares = false; }
  found.push(["share a file", shares, "the file is saved as a download instead"]);
  found.push(["lock a file", Boolean(globalThis.crypto?.subtle), "needs https or a file opened on the phone; what is handed over is not locked"]);
  return {db, found};
}
