import { defineConfig } from "vite";
import { stampSources } from "./build/stamp";

/** The page is built into the Python package, which ships it; `source.json` there says from which sources it was made. */
export default defineConfig({
  base: "/",
  build: {
    outDir: "../src/ossicle/desk/page",
    emptyOutDir: true,
    target: "es2022",
    assetsInlineLimit: 0,
    chunkSizeWarningLimit: 2000,
    modulePreload: { polyfill: false },
  },
  server: { proxy: { "/api": process.env["OSSICLE_DESK"] ?? "http://127.0.0.1:8600" } },
  plugins: [stampSources()],
});
