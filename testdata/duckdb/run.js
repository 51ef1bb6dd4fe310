// Runs SQL statements, a JSON list on standard input, one after the other in one
// DuckDB, and prints the rows of each as JSON, a line for each statement.
const { DuckDBInstance } = require("@duckdb/node-api");
(async () => {
  const db = await (await DuckDBInstance.create(":memory:")).connect();
  for (const sql of JSON.parse(require("fs").readFileSync(0, "utf8"))) {
    const rows = (await db.runAndReadAll(sql)).getRowObjectsJson();
    console.log(JSON.stringify(rows));
  }
})().catch((e) => { console.error(String(e)); process.exit(1); });
