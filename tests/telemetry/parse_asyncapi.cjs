// What the reference parser of AsyncAPI says of the document on standard input: one JSON array of its diagnostics.
"use strict";
const { readFileSync } = require("node:fs");
const { Parser } = require("@asyncapi/parser");

new Parser().parse(readFileSync(0, "utf-8")).then(({ document, diagnostics }) => {
  const found = diagnostics.map(({ severity, message, path }) => ({ severity, message, path: path.join("/") }));
  process.stdout.write(JSON.stringify({ channels: document ? document.channels().all().length : 0, found }));
});
