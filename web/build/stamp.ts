import { createHash } from "node:crypto";
import { readFileSync, readdirSync, statSync, writeFileSync } from "node:fs";
import { join, relative } from "node:path";
import type { Plugin } from "vite";

const ROOT = join(import.meta.dirname, "..");
const TAKEN = ["build", "src", "index.html", "package.json", "package-lock.json", "tsconfig.json", "vite.config.ts"];

function* filesOf(path: string): Generator<string> {
  if (!statSync(path).isDirectory()) {
    yield path;
    return;
  }
  for (const name of readdirSync(path)) yield* filesOf(join(path, name));
}

/**
 * One digest of all sources: for each file in the order of its path (by bytes), the path, a zero byte, its SHA-256 in
 * hexadecimal and a line feed, hashed together. `tests/desk/browser/test_built_page.py` computes the same.
 */
export function digestOfSources(): string {
  const files = TAKEN.flatMap((name) => [...filesOf(join(ROOT, name))])
    .map((file) => [relative(ROOT, file).split("\\").join("/"), file] as const)
    .sort(([a], [b]) => (a < b ? -1 : 1));
  const whole = createHash("sha256");
  for (const [name, file] of files) {
    whole.update(`${name}\0${createHash("sha256").update(readFileSync(file)).digest("hex")}\n`);
  }
  return whole.digest("hex");
}

const NOTICES = ["three", "preact", "@preact/signals", "@preact/signals-core", "@fontsource-variable/source-serif-4", "@fontsource-variable/source-sans-3"];

function licences(): string {
  const texts = NOTICES.map((name) => {
    const folder = join(ROOT, "node_modules", name);
    const { version } = JSON.parse(readFileSync(join(folder, "package.json"), "utf8")) as { version: string };
    return `${name} ${version}\n\n${readFileSync(join(folder, "LICENSE"), "utf8").trim()}\n`;
  });
  return `The page of the desk is built with the following, each under its own licence.\n\n${texts.join(`\n${"-".repeat(72)}\n\n`)}`;
}

/** Writes `source.json` and `licences.txt` beside the built page. */
export function stampSources(): Plugin {
  let out = "";
  return {
    name: "ossicle-stamp",
    apply: "build",
    configResolved(config) {
      out = join(ROOT, config.build.outDir);
    },
    closeBundle() {
      writeFileSync(join(out, "source.json"), `${JSON.stringify({ sources_sha256: digestOfSources() })}\n`);
      writeFileSync(join(out, "licences.txt"), licences());
    },
  };
}
