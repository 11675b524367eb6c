// What the tablet keeps (IndexedDB): entries, the last seen data of each session, and this device's own numbers.
// An entry and its number are one transaction on disk: a crash leaves both or neither.

const NAME = "broodtide-bench";

const done = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

const ended = (transaction) =>
  new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error ?? new Error("aborted")); // an error aborts: only then is it named
  });

export function randomId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

const STORES = ["entries", "meta", "sessions"];
const isWhole = (db) => STORES.every((name) => db.objectStoreNames.contains(name));

// What is there stays; what is missing is made.
function make(db) {
  const has = (name) => db.objectStoreNames.contains(name);
  if (!has("entries")) {
    const entries = db.createObjectStore("entries", { keyPath: "id" });
    entries.createIndex("stream", ["session", "person", "number"], { unique: true });
    entries.createIndex("waiting", ["waiting", "person", "session", "number"]);
  }
  if (!has("sessions")) db.createObjectStore("sessions", { keyPath: "session" });
  if (!has("meta")) db.createObjectStore("meta");
}

function opened(version) {
  const request = indexedDB.open(NAME, version);
  request.onupgradeneeded = () => make(request.result);
  return done(request);
}

// The newest that is there. One that somebody opened by its name alone has no stores, whatever its version says.
async function openWhole() {
  const db = await opened();
  if (isWhole(db)) return db;
  db.close();
  return opened(db.version + 1);
}

export class Store {
  static async open() {
    const db = await openWhole();
    db.onversionchange = () => db.close(); // another tab has a newer app: it must not wait for this one
    return new Store(db);
  }

  constructor(db) {
    this.db = db;
    this.devices = {};
    this.numbers = {};
  }

  // Stored first: the promise is kept only when the entry lies on disk. Entries of one page go one after the other, in
  // the order of their taps.
  keep(entry) {
    const turn = (this.turn ?? Promise.resolve()).then(() => this.kept(entry));
    this.turn = turn.catch(() => {});
    return turn;
  }

  // One request and its echo: the last number is remembered; where another page of this device was faster the index
  // refuses it, and it is read anew.
  async kept({ id = randomId(), session, person, kind, facts, at, offset_ms }) {
    const stream = `${session}:${person}`;
    const device = (this.devices[person] ??= await this.device(person));
    for (;;) {
      const number = 1 + (this.numbers[stream] ??= (await this.get(`number:${stream}`)) ?? 0);
      const entry = { id, session, person, device, number, kind, facts, at, offset_ms, waiting: 1, state: "kept", words: "" };
      try {
        await this.add(entry, `number:${stream}`);
      } catch (error) {
        delete this.numbers[stream];
        if (error?.name !== "ConstraintError") throw error;
        continue;
      }
      this.numbers[stream] = number;
      return entry;
    }
  }

  async add(entry, key) {
    const transaction = this.db.transaction(["entries", "meta"], "readwrite", { durability: "strict" });
    try {
      transaction.objectStore("entries").add(entry);
      transaction.objectStore("meta").put(entry.number, key);
    } catch (error) {
      transaction.abort(); // a number without its entry would be a gap that never closes
      throw error;
    }
    transaction.commit?.();
    await ended(transaction);
  }

  // The device's own number for one person. One person's entries are never a gap in another's.
  async device(person) {
    const transaction = this.db.transaction("meta", "readwrite");
    const meta = transaction.objectStore("meta");
    const key = `device:${person}`;
    const device = (await done(meta.get(key))) ?? randomId();
    meta.put(device, key);
    await ended(transaction);
    return device;
  }

  entries(session, person) {
    const range = IDBKeyRange.bound([session, person, 0], [session, person, Infinity]);
    return done(this.db.transaction("entries").objectStore("entries").index("stream").getAll(range));
  }

  // Entries that the server has not confirmed, in order, of one session or of all.
  unsent(person, session = null, most = undefined) {
    const range =
      session === null
        ? IDBKeyRange.bound([1, person], [1, person, []])
        : IDBKeyRange.bound([1, person, session], [1, person, session, []]);
    return done(this.db.transaction("entries").objectStore("entries").index("waiting").getAll(range, most));
  }

  // How many wait: of this person, and of others on this device.
  async countUnsent(person) {
    const index = this.db.transaction("entries").objectStore("entries").index("waiting");
    const [own, all] = await Promise.all([
      done(index.count(IDBKeyRange.bound([1, person], [1, person, []]))),
      done(index.count(IDBKeyRange.bound([1], [1, []]))),
    ]);
    return { own, others: all - own };
  }

  // The server's answers, one transaction.
  async answered(answers) {
    const transaction = this.db.transaction("entries", "readwrite", { durability: "strict" });
    const entries = transaction.objectStore("entries");
    for (const { id, state, words } of answers) {
      const request = entries.get(id);
      request.onsuccess = () => {
        if (request.result) entries.put({ ...request.result, waiting: 0, state, words: words ?? "" });
      };
    }
    await ended(transaction);
  }

  // Room for the next tap: what the server has confirmed of other sessions, and their data. Unsent entries stay.
  async makeRoom(session) {
    const transaction = this.db.transaction(["entries", "sessions"], "readwrite");
    for (const name of ["entries", "sessions"]) {
      const request = transaction.objectStore(name).openCursor();
      request.onsuccess = () => {
        const cursor = request.result;
        if (!cursor) return;
        if (cursor.value.session !== session && !cursor.value.waiting) cursor.delete();
        cursor.continue();
      };
    }
    await ended(transaction);
  }

  session(session) {
    return done(this.db.transaction("sessions").objectStore("sessions").get(session));
  }

  async keepSession(session, person, data) {
    const transaction = this.db.transaction("sessions", "readwrite");
    transaction.objectStore("sessions").put({ session, person, data, at: new Date().toISOString() });
    transaction.commit?.();
    await ended(transaction);
  }

  get(key) {
    return done(this.db.transaction("meta").objectStore("meta").get(key));
  }

  async put(key, value) {
    const transaction = this.db.transaction("meta", "readwrite");
    transaction.objectStore("meta").put(value, key);
    transaction.commit?.(); // at once: a page that is left in the same moment takes an open transaction with it
    await ended(transaction);
  }
}
