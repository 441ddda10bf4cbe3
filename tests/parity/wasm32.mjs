// A 32-bit MicroPython as a child process: small integers of 31 bits, pointers of 4 bytes, as on a
// board.
//
//     node wasm32.mjs RUNTIME_FOLDER HEAP_BYTES ROOT FILE...
//
// The files (relative to ROOT) are copied into the interpreter's own file system first. Then, for
// each line on standard input, one line of JSON goes to standard output:
//
//     "python code"   is run at top level; the answer is what it printed   (a line in quotes)
//     anything else   is passed to the Python function `answer`; the answer is what it returned
//
// This interpreter collects garbage only between such calls.

import fs from "node:fs";
import path from "node:path";
import readline from "node:readline";
import { pathToFileURL } from "node:url";

const [runtime, heapBytes, root, ...files] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(path.join(runtime, "micropython.mjs")));

let printed = [];
const board = await loadMicroPython({
  url: path.join(runtime, "micropython.wasm"),
  heapsize: Number(heapBytes),
  stdout: (line) => printed.push(line),
});

const folders = new Set();
function makeFolder(folder) {
  if (folder === "/" || folders.has(folder)) return;
  makeFolder(path.posix.dirname(folder));
  board.FS.mkdir(folder);
  folders.add(folder);
}
for (const file of files) {
  const target = path.posix.join("/board", file);
  makeFolder(path.posix.dirname(target));
  board.FS.writeFile(target, fs.readFileSync(path.join(root, file)));
}
board.runPython("import sys\nsys.path.insert(0, '/board')");

let answer = null;
for await (const line of readline.createInterface({ input: process.stdin })) {
  let reply;
  if (line.startsWith('"')) {
    printed = [];
    board.runPython(JSON.parse(line));
    reply = printed.join("\n");
  } else {
    answer ??= board.globals.get("answer");
    reply = answer(line);
  }
  process.stdout.write(JSON.stringify(reply) + "\n");
}
