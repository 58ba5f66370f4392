// One long answer of the server: parts of a length (4 bytes, big endian), JSON, a length, and a JPEG, without end;
// and a web socket on which the page tells what it drew of them.
//
//   const stream = new Stream({ part(head, jpeg), line(up, words) });
//   stream.tell({ number, … });

const RETRY_MS = 1000;
const UTF8 = new TextDecoder();

export class Stream {
  #socket = null;

  constructor({ part, line }) {
    Object.assign(this, { part, line });
    this.#run();
  }

  /** Tell the server; while the line is down nobody would hear it. */
  tell(message) {
    if (this.#socket?.readyState === WebSocket.OPEN) this.#socket.send(JSON.stringify(message));
  }

  async #run() {
    for (;;) {
      const end = new AbortController();
      try {
        const response = await fetch("api/live/stream", { signal: end.signal });
        if (!response.ok) throw new Refusal(await wordsOf(response));
        this.#socket = await opened("api/live/drawn", () => end.abort());
        this.line(true, "");
        await this.#read(response.body.getReader());
        this.line(false, "");
      } catch (problem) {
        this.line(false, problem instanceof Refusal ? problem.message : "");
      }
      end.abort();
      this.#socket?.close();
      await new Promise((done) => setTimeout(done, RETRY_MS));
    }
  }

  async #read(reader) {
    const bytes = new Bytes(reader);
    for (;;) {
      const head = await bytes.sized();
      if (!head) return;
      const jpeg = await bytes.sized();
      if (!jpeg) return;
      this.part(JSON.parse(UTF8.decode(head)), jpeg);
    }
  }
}

/** What was read and not used yet; hands out pieces of known length. */
class Bytes {
  #held = [];
  #length = 0;

  constructor(reader) {
    this.reader = reader;
  }

  async sized() {
    const size = await this.take(4);
    return size && this.take(new DataView(size.buffer, size.byteOffset).getUint32(0));
  }

  async take(count) {
    while (this.#length < count) {
      const { done, value } = await this.reader.read();
      if (done) return null;
      this.#held.push(value);
      this.#length += value.length;
    }
    const taken = new Uint8Array(count);
    let at = 0;
    while (at < count) {
      const piece = this.#held[0], some = Math.min(piece.length, count - at);
      taken.set(piece.subarray(0, some), at);
      at += some;
      if (some === piece.length) this.#held.shift();
      else this.#held[0] = piece.subarray(some);
    }
    this.#length -= count;
    return taken;
  }
}

class Refusal extends Error {}

/** An open web socket; `closed` is called when it closes, whoever closed it. */
function opened(path, closed) {
  const url = new URL(path, location.href);
  url.protocol = "ws:";
  return new Promise((done, failed) => {
    const socket = new WebSocket(url);
    socket.onopen = () => done(socket);
    socket.onclose = () => {
      failed(new Error("closed"));
      closed();
    };
  });
}

async function wordsOf(response) {
  try {
    return (await response.json()).error;
  } catch {
    return "";
  }
}
