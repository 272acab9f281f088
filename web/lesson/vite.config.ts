import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { join, relative } from "node:path";
import { defineConfig } from "vite";

const WEB = join(import.meta.dirname, "..");
const OUT = join(WEB, "../src/ossicle/publish/page");

/**
 * The player of lessons and spotters, built into the Python package as one classic script and one style sheet, since a
 * page from file:// may load no module. `source.json` lists the digest of every source of ours that went in.
 */
export default defineConfig({
  root: import.meta.dirname,
  build: {
    outDir: OUT,
    emptyOutDir: true,
    target: "es2022",
    lib: { entry: join(import.meta.dirname, "main.ts"), formats: ["iife"], name: "ossicleLesson", fileName: () => "lesson.js", cssFileName: "lesson" },
  },
  plugins: [
    {
      name: "ossicle-lesson-stamp",
      generateBundle() {
        const own = [...this.getModuleIds()].map((id) => id.split("?")[0] as string).filter((id) => id.startsWith(WEB) && !id.includes("node_modules"));
        const files = [...new Set([...own, join(import.meta.dirname, "lesson.css")])].sort();
        const sums = Object.fromEntries(files.map((f) => [relative(WEB, f), createHash("sha256").update(readFileSync(f)).digest("hex")]));
        const { version } = JSON.parse(readFileSync(join(WEB, "node_modules/three/package.json"), "utf8")) as { version: string };
        const notice = readFileSync(join(WEB, "node_modules/three/LICENSE"), "utf8").trim();
        this.emitFile({ type: "asset", fileName: "source.json", source: `${JSON.stringify({ sources: sums }, null, 1)}\n` });
        this.emitFile({ type: "asset", fileName: "licences.txt", source: `three ${version}\n\n${notice}\n` });
      },
    },
  ],
});
