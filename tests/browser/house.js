// A house for the browser to look at: the real daemon, a real mosquitto, and plugs played by mosquitto_sub and
// mosquitto_pub. All of it on loopback, on free ports, in a folder that goes with it.
import { spawn, execFileSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync, readFileSync, openSync } from "node:fs";
import { createServer } from "node:net";
import { createInterface } from "node:readline";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** How long anything may take before a test gives up; never a part of what is tested. */
export const PATIENCE_MS = 60_000;

/** Waits until `look` gives something. */
export async function until(what, look) {
  const begun = performance.now();
  for (;;) {
    const found = await look();
    if (found) return found;
    if (performance.now() - begun > PATIENCE_MS) throw new Error(`in vain: ${what}`);
    await new Promise((rest) => setTimeout(rest, 50));
  }
}

function freePort() {
  return new Promise((give) => {
    const server = createServer().listen(0, "127.0.0.1", () => {
      const { port } = server.address();
      server.close(() => give(port));
    });
  });
}

/**
 * A place on the equator where it is about 20:00 by the Sun: dark for hours yet, whatever the time and the season, so that
 * no sunset or sunrise comes between now and what the tests expect next.
 */
const utcHours = (Date.now() / 3_600_000) % 24;
const east = (((20 - utcHours) * 15 + 540) % 360) - 180;
const offset = Math.round(east / 15);
const zone = `${offset < 0 ? "-" : "+"}${String(Math.abs(offset)).padStart(2, "0")}:00`;
export const PLACE = `[place]
name = "Skarvholmen"
position = "0.0000 N, ${Math.abs(east).toFixed(4)} ${east < 0 ? "W" : "E"}"
time_zone = "${zone}"
`;

/** HH:MM by the clock of that place, some minutes from now. */
export function clock(minutes) {
  return new Date(Date.now() + offset * 3_600_000 + minutes * 60_000).toISOString().slice(11, 16);
}

/** Everything started here, the last first. */
const started = [];

function start(program, args, options) {
  const child = spawn(program, args, options);
  const ended = new Promise((give) => child.once("exit", give));
  child.stop = async () => {
    child.kill("SIGTERM");
    await ended;
  };
  started.unshift(child);
  return child;
}

/** Ends all processes and takes the folder away. */
export async function end() {
  for (const child of started.splice(0)) if (child.exitCode === null) await child.stop();
  rmSync(folder, { recursive: true, force: true });
}

const folder = mkdtempSync(join(tmpdir(), "lampward-browser-"));

/** A mosquitto that is open to all on loopback. */
export async function broker() {
  const port = await freePort();
  const file = join(folder, "mosquitto.conf");
  writeFileSync(file, `listener ${port} 127.0.0.1\nallow_anonymous true\n`);
  start("mosquitto", ["-c", file], { stdio: "ignore" });
  await until("mosquitto answers", () => {
    try {
      execFileSync("mosquitto_pub", ["-p", `${port}`, "-t", "test", "-m", ""], { stdio: "ignore" });
      return true;
    } catch {
      return false;
    }
  });
  return port;
}

/** Plugs of the kind "plain" that do as they are told and say so, but for those under `silent/`. */
export async function plugs(port) {
  const said = new Map();
  const listener = start("mosquitto_sub", ["-p", `${port}`, "-t", "#", "-v"], { stdio: ["ignore", "pipe", "ignore"] });
  let here = false;
  createInterface({ input: listener.stdout }).on("line", (line) => {
    const [topic, word] = line.split(" ");
    if (topic === "test/here") here = true;
    if (!topic.endsWith("/order") || topic.startsWith("silent/")) return;
    said.set(topic.slice(0, -6), word);
    start("mosquitto_pub", ["-p", `${port}`, "-t", topic.replace(/order$/, "report"), "-m", word], { stdio: "ignore" });
  });
  await until("the plugs listen", () => {
    execFileSync("mosquitto_pub", ["-p", `${port}`, "-t", "test/here", "-m", "x"], { stdio: "ignore" });
    return here;
  });
  return said;
}

/** The daemon on a file; `write` writes the file anew, `{port}` in it is the page's. */
export async function daemon(name, text) {
  const port = await freePort();
  const file = join(folder, `${name}.toml`);
  const state = join(folder, name);
  const write = (text) => writeFileSync(file, text.replaceAll("{port}", port));
  write(text);
  const log = openSync(join(folder, `${name}.log`), "a");
  let child;
  const run = async () => {
    child = start(process.env.LAMPWARD, ["run", "--file", file, "--state", state], { stdio: ["ignore", log, log] });
    await until(`${name} answers`, async () => {
      if (child.exitCode !== null) throw new Error(readFileSync(join(folder, `${name}.log`), "utf8"));
      return fetch(`http://127.0.0.1:${port}/page.css`).then((answer) => answer.ok, () => false);
    });
  };
  await run();
  return {
    page: `http://127.0.0.1:${port}/`,
    write,
    /** Stops it; gives how to start it again. */
    async stop() {
      await child.stop();
      return run;
    },
    /** Stops it, puts its last sign of life back by so many minutes, and starts it again. */
    async sleep(minutes) {
      await until(`${name} has made a sign of life`, () => {
        try {
          return readFileSync(join(state, "alive")) && true;
        } catch {
          return false;
        }
      });
      await child.stop();
      writeFileSync(join(state, "alive"), `${new Date(Date.now() - minutes * 60_000).toISOString()}\n`);
      await run();
    },
  };
}

/** A file with its secret, readable by its owner alone. */
export function secret(name, text) {
  const file = join(folder, name);
  writeFileSync(file, text, { mode: 0o600 });
  return file;
}
