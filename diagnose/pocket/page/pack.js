// One file to hand over: a ZIP whose entries are stored as they are (PKWARE APPNOTE 6.3.10, 4.3), and its lock.

const CRC_OF_BYTE = Uint32Array.from({length: 256}, (_, byte) => {
  for (let bit = 0; bit < 8; bit++) byte = byte & 1 ? byte >>> 1 ^ 0xEDB88320 : byte >>> 1;
  return byte;
});

function crcOf(bytes) {
  let crc = -1;
  for (const byte of bytes) crc = crc >>> 8 ^ CRC_OF_BYTE[(crc ^ byte) & 255];
  return (crc ^ -1) >>> 0;
}

/** A ZIP of entries [{name, bytes, crc}] as a blob; the bytes are not copied. */
function zipOf(entries) {
  const parts = [], list = [];
  let offset = 0;
  for (const {name, bytes, crc} of entries) {
    const title = new TextEncoder().encode(name), size = bytes.byteLength;
    const both = [20, 0x0800, 0, 0, 0x21, crc ?? crcOf(new Uint8Array(bytes)), size, size, title.length, 0];
    const head = record(0x04034B50, "22222444" + "22", both);
    list.push(record(0x02014B50, "2222224442222244", [20, ...both, 0, 0, 0, 0, offset]), title);
    parts.push(head, title, bytes);
    offset += head.byteLength + title.length + size;
  }
  const long = list.reduce((sum, one) => sum + one.byteLength, 0);
  if (offset + long > 0xFFFFFFFF || entries.length > 0xFFFF) throw new Error("too much for one file; hand over in parts");
  const end = record(0x06054B50, "2222442", [0, 0, entries.length, entries.length, long, offset, 0]);
  return new Blob([...parts, ...list, end], {type: "application/zip"});
}

/** Little-endian numbers of 2 or 4 bytes after a signature. */
function record(signature, sizes, values) {
  const view = new DataView(new ArrayBuffer(4 + [...sizes].reduce((sum, one) => sum + Number(one), 0)));
  view.setUint32(0, signature, true);
  let at = 4;
  [...sizes].forEach((size, i) => {
    if (size === "2") view.setUint16(at, values[i], true);
    else view.setUint32(at, values[i], true);
    at += Number(size);
  });
  return new Uint8Array(view.buffer);
}

const LOCKED = "browse pocket locked 1\n", ROUNDS = 600000, PIECE = 4194304;

/** The blob locked with a passphrase: AES-256-GCM piece by piece, the header and each piece's number authenticated, the
 * key by PBKDF2 with SHA-256 (NIST SP 800-38D, RFC 8018; rounds as OWASP's cheat sheet on storing passwords asks). */
async function lock(blob, passphrase) {
  const salt = crypto.getRandomValues(new Uint8Array(16)), nonce = crypto.getRandomValues(new Uint8Array(8));
  const base64 = bytes => btoa(String.fromCharCode(...bytes)), pieces = Math.max(Math.ceil(blob.size / PIECE), 1);
  const header = new TextEncoder().encode(LOCKED + JSON.stringify({
    key: "PBKDF2-SHA-256", rounds: ROUNDS, salt: base64(salt), cipher: "AES-256-GCM", nonce: base64(nonce), piece: PIECE, pieces,
  }) + "\n");
  const secret = await crypto.subtle.importKey("raw", new TextEncoder().encode(passphrase.normalize("NFC")), "PBKDF2", false, ["deriveKey"]);
  const key = await crypto.subtle.deriveKey({name: "PBKDF2", hash: "SHA-256", salt, iterations: ROUNDS}, secret,
    {name: "AES-GCM", length: 256}, false, ["encrypt"]);
  const out = [header];
  for (let i = 0; i < pieces; i++) {
    const number = new Uint8Array(4);
    new DataView(number.buffer).setUint32(0, i);
    const iv = new Uint8Array([...nonce, ...number]), additionalData = new Uint8Array([...header, ...number]);
    const plain = await blob.slice(i * PIECE, (i + 1) * PIECE).arrayBuffer();
    out.push(await crypto.subtle.encrypt({name: "AES-GCM", iv, additionalData}, key, plain));
  }
  return new Blob(out, {type: "application/octet-stream"});
}

/** What is kept, as one file: its versions and the photos that they name. */
async function handOver(db, versions, about) {
  const text = words => new TextEncoder().encode(words);
  const entries = [{name: "format", bytes: text("browse pocket 1")}, {name: "about.json", bytes: text(JSON.stringify(about))},
    {name: "kept.jsonl", bytes: text(versions.map(one => JSON.stringify(one) + "\n").join(""))}];
  const wanted = new Set(versions.flatMap(one => (one.values.photos ?? []).map(photo => photo.id)));
  for (const id of wanted) {
    const photo = await readOne(db, "photos", id);
    if (photo) entries.push({name: `photos/${id}`, bytes: photo.bytes, crc: photo.crc});
  }
  return zipOf(entries);
}
