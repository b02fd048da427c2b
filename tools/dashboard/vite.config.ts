import { createHash } from "node:crypto";
import { readFileSync, rmSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { defineConfig, type Plugin } from "vite";

/// One file, script and style inline, with a content security policy that allows exactly these two: mosquitto serves
/// files without a Content-Type, and browsers refuse a module script file that has none.
function oneFile(): Plugin {
  let folder = "";
  return {
    name: "one-file",
    apply: "build",
    enforce: "post",
    configResolved(config) {
      folder = join(config.root, config.build.outDir);
      if (config.build.outDir.startsWith("/")) folder = config.build.outDir;
    },
    closeBundle() {
      const path = join(folder, "index.html");
      let html = readFileSync(path, "utf8");
      const read = (name: string) => readFileSync(join(folder, name), "utf8");
      const hash = (text: string) => `'sha256-${createHash("sha256").update(text).digest("base64")}'`;
      let style = "";
      let script = "";
      html = html.replace(/\s*<link rel="stylesheet"[^>]*href="\/([^"]+)"[^>]*>/g, (_all, name: string) => {
        style += read(name);
        return "";
      });
      html = html.replace(/\s*<script type="module"[^>]*src="\/([^"]+)"[^>]*><\/script>/g, (_all, name: string) => {
        script += read(name).trim();
        return "";
      });
      if (!style || !script) throw new Error(`one-file: no style or no script found in ${path}`);
      // Inside a script element these two would end it, or open a comment.
      script = script.replace(/<\/(script)/gi, "<\\/$1").replace(/<!--/g, "<\\!--");
      if (/<\/style/i.test(style)) throw new Error("one-file: the style would end its own element");
      const policy = [
        "default-src 'none'",
        `script-src ${hash(script)}`,
        `style-src ${hash(style)}`,
        "connect-src 'self'",
        "img-src data:",
        "base-uri 'none'",
        "form-action 'none'",
      ].join("; ");
      html = html
        .replace('<meta charset="utf-8">', () => `<meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" content="${policy}">`)
        .replace("</head>", () => `<style>${style}</style>\n</head>`)
        .replace("</body>", () => `<script type="module">${script}</script>\n</body>`);
      writeFileSync(path, html);
      rmSync(join(folder, "assets"), { recursive: true, force: true });
    },
  };
}

export default defineConfig({
  plugins: [oneFile()],
  build: { target: "es2022", modulePreload: false, cssCodeSplit: false, assetsInlineLimit: 0, emptyOutDir: true },
});
