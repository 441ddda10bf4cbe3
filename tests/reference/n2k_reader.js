// Reads candump lines on standard input with canboatjs (its folder is the first argument), and
// prints each message as a line of JSON.
const { FromPgn } = require(process.argv[2])

const parser = new FromPgn({ useCamel: true })
const fail = (what) => {
  console.error(String(what))
  process.exit(1)
}
parser.on('error', (_, error) => fail(error))
parser.on('warning', (_, warning) => fail(warning))
parser.on('pgn', ({ pgn, src, fields }) => console.log(JSON.stringify({ pgn, src, fields })))
require('readline')
  .createInterface({ input: process.stdin })
  .on('line', (line) => parser.parseString(line))
