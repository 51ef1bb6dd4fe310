// An OPC UA server for the tests of the collector, on node-opcua, which none of
// us wrote. It is steered by lines of JSON on its standard input and answers
// each with one line. It ends with its input.
//
//   node server.js '{"port":0,"variables":10,"ramp":100,"users":true,"plant":true}'
"use strict";
const fs = require("fs");
const os = require("os");
const path = require("path");
const readline = require("readline");
const opcua = require("node-opcua");
const { OPCUAServer, OPCUACertificateManager, Variant, DataType, StatusCodes, StatusCode, VariantArrayType, DataValue, AttributeIds } = opcua;

const defaults = { port: 0, variables: 0, ramp: 0, users: false, plant: false, mill: "", wobble: 0, frozen: [], namespaces: [], maxItems: 0, history: false, acceptAll: true, pki: "pki", every: false };
const args = Object.assign({}, defaults, JSON.parse(process.argv[2] || "{}"));
const dir = args.dir || fs.mkdtempSync(path.join(os.tmpdir(), "interop-"));
const testURI = "urn:interop:test";
let server = null;
let vars = new Map(); // name -> { node, dv }
let counts = {};
let timer = null;
let tick = 0;

// With every, each value that is set is queued, whatever interval is asked for: a
// sampling timer of this process, late on a busy machine, would pass some over.
const monitor = opcua.Subscription.prototype.createMonitoredItem;
opcua.Subscription.prototype.createMonitoredItem = function (space, stamps, request) {
  if (args.every) request.requestedParameters.samplingInterval = 0;
  return monitor.call(this, space, stamps, request);
};

const now = () => new Date();

function statusOf(s) {
  if (s === undefined || s === null) return StatusCodes.Good;
  if (typeof s === "string") return StatusCodes[s];
  // A raw code with its info bits.
  const base = opcua.getStatusCodeFromCode(s >>> 0);
  return base;
}

function variantOf(v, type) {
  const dt = type || (typeof v === "boolean" ? "Boolean" : typeof v === "string" ? "String" : "Double");
  if (dt === "Null") return new Variant({ dataType: DataType.Null });
  if (Array.isArray(v) && dt !== "Int64" && dt !== "UInt64") return new Variant({ dataType: DataType[dt], arrayType: VariantArrayType.Array, value: v });
  if (v === "NaN") v = NaN;
  if (v === "Infinity") v = Infinity;
  if (dt === "Structure") {
    return new Variant({ dataType: DataType.ExtensionObject, value: opcua.makeEUInformation("x", "x", "x") });
  }
  return new Variant({ dataType: DataType[dt], arrayType: VariantArrayType.Scalar, value: v });
}

function set(name, v, o) {
  const e = vars.get(name);
  if (!e) throw new Error("no variable " + name);
  const t = o && o.time ? new Date(o.time) : now();
  const status = statusOf(o && o.status);
  const dv = new DataValue({ value: variantOf(v, o && o.type), statusCode: status, sourceTimestamp: t, serverTimestamp: now(), sourcePicoseconds: 0, serverPicoseconds: 0 });
  e.value = v;
  e.node._internal_set_dataValue ? e.node.setValueFromSource(dv.value, status, t) : e.node.setValueFromSource(dv.value, status, t);
}

function add(ns, folder, name, o) {
  o = o || {};
  const common = { browseName: o.browseName || name, nodeId: "s=" + name, dataType: o.dataType || "Double", minimumSamplingInterval: o.unit ? 20 : 0 };
  let node;
  if (o.unit) {
    node = ns.addAnalogDataItem(Object.assign(common, {
      organizedBy: folder, definition: "", description: o.description || "", valuePrecision: 0.01,
      engineeringUnitsRange: { low: o.low, high: o.high }, engineeringUnits: opcua.standardUnits[o.unit] || opcua.makeEUInformation(o.unit, o.unit, o.unit),
    }));
  } else {
    node = ns.addVariable(Object.assign(common, { organizedBy: folder, description: o.description || "" }));
  }
  vars.set(name, { node, value: 0 });
  set(name, o.value === undefined ? 0 : o.value, o.dataType && o.dataType !== "BaseDataType" ? { type: o.dataType } : {});
  if (args.history) server.engine.addressSpace.installHistoricalDataNode(node, { maxOnlineValues: 5000 });
  return node;
}

// A quadruple effect under names and in units of somebody else.
function plant(ns, root) {
  const mill = ns.addFolder(root, { browseName: "Fabrica" });
  const line = ns.addFolder(mill, { browseName: "Evaporacion" });
  add(ns, line, "QE/VE/PT-100", { unit: "bar", low: 0, high: 3, value: 1.42, description: "steam to vessel 1, gauge" });
  add(ns, line, "QE/VE/FT-100", { unit: "t/h", low: 0, high: 120, value: 62.4 });
  add(ns, line, "QE/JC/FT-110", { unit: "t/h", low: 0, high: 400, value: 231.0 });
  add(ns, line, "QE/JC/AT-110", { unit: "%", low: 0, high: 30, value: 14.2 });
  add(ns, line, "QE/JC/TT-110", { unit: "degree_celsius", low: 0, high: 150, value: 111.5 });
  add(ns, line, "QE/ML/AT-150", { unit: "%", low: 0, high: 80, value: 63.8 });
  const gauge = [0.52, 0.02, -0.42, -0.86], level = [41, 38, 35, 33], temp = [112.4, 102.1, 88.0, 58.5];
  for (let i = 0; i < 4; i++) {
    const v = ns.addFolder(line, { browseName: "Vaso" + (i + 1) });
    add(ns, v, `QE/V${i + 1}/PT`, { unit: "bar", low: -1, high: 2, value: gauge[i] });
    add(ns, v, `QE/V${i + 1}/TT`, { unit: "degree_celsius", low: 0, high: 150, value: temp[i] });
    add(ns, v, `QE/V${i + 1}/LT`, { unit: "%", low: 0, high: 100, value: level[i] });
  }
}

// A mill of odd-mills.json; slashes are folders.
function mill(ns, root, m) {
  const folders = new Map();
  for (const n of m.nodes) {
    let at = root, to = "";
    for (const name of n.path.split("/").slice(0, -1)) {
      to += "/" + name;
      if (!folders.has(to)) folders.set(to, ns.addFolder(at, { browseName: name }));
      at = folders.get(to);
    }
    const o = { browseName: n.path.split("/").pop(), description: n.description, value: n.value, low: n.range[0], high: n.range[1] };
    add(ns, at, n.path, n.unit ? Object.assign(o, { unit: n.unit }) : o);
  }
  // With wobble, each value moves by some thousandths every so many milliseconds.
  if (args.wobble) setInterval(() => {
    for (const n of m.nodes) if (!args.frozen.includes(n.path)) set(n.path, n.value * (1 + 0.004 * (Math.random() - 0.5)));
  }, args.wobble);
}

async function start() {
  const certs = new OPCUACertificateManager({ automaticallyAcceptUnknownCertificate: args.acceptAll, rootFolder: path.join(dir, args.pki) });
  server = new OPCUAServer({
    port: args.port, hostname: "127.0.0.1", alternateHostname: ["127.0.0.1", "localhost"],
    serverCertificateManager: certs,
    serverInfo: { applicationUri: "urn:interop:server", productUri: "urn:interop" },
    buildInfo: { productName: "Interop server", softwareVersion: "1" },
    allowAnonymous: !args.users,
    userManager: { isValidUser: (u, p) => u === "operator" && p === "pan1-secret-canary" },
    disableDiscovery: true, maxConnectionsPerEndpoint: 100,
    serverCapabilities: { maxSessions: 50, operationLimits: Object.assign({ maxNodesPerRead: 200, maxNodesPerBrowse: 20 }, args.maxItems ? { maxMonitoredItemsPerCall: args.maxItems } : {}) },
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  for (const uri of args.namespaces) space.registerNamespace(uri);
  const ns = space.registerNamespace(testURI);
  vars = new Map();
  const root = ns.addFolder(space.rootFolder.objects, { browseName: "Test" });
  for (let i = 0; i < args.variables; i++) add(ns, root, "T" + i, args.loose ? { dataType: "BaseDataType" } : {});
  add(ns, root, "Flag", { dataType: "Boolean", value: false });
  add(ns, root, "Any", { dataType: "BaseDataType" });
  add(ns, root, "Still", { value: 42 });
  add(ns, root, "Analog", { unit: "degree_celsius", low: 0, high: 150, value: 98.6, description: "an analog item" });
  add(ns, root, "Late", {});
  if (args.plant) plant(ns, root);
  if (args.mill) mill(ns, space.rootFolder.objects, JSON.parse(fs.readFileSync("odd-mills.json"))[args.mill]);
  server.on("request", (r) => { const n = r.schema.name; counts[n] = (counts[n] || 0) + 1; });
  await server.start();
  args.port = server.endpoints[0].port;
  if (timer) clearInterval(timer);
  timer = args.ramp ? setInterval(() => {
    tick++;
    for (let i = 0; i < args.variables; i++) set("T" + i, tick + i / 1000);
  }, args.ramp) : null;
}

async function stop() {
  if (timer) clearInterval(timer);
  timer = null;
  if (server) await server.shutdown(0);
  server = null;
}

const commands = {
  ready: async () => ({ port: args.port, dir }),
  set: async (c) => { set(c.name, c.value, c); },
  many: async (c) => { for (const v of c.values) set(v.name, v.value, v); },
  // burst sets n values 1..n of a variable, a millisecond apart.
  burst: async (c) => { const t = Date.now() - c.n; for (let i = 1; i <= c.n; i++) set(c.name, i, { time: t + i }); },
  add: async (c) => { const ns = server.engine.addressSpace.getNamespace(testURI); add(ns, server.engine.addressSpace.findNode(`ns=${ns.index};s=Still`).parent || server.engine.addressSpace.rootFolder.objects, c.name, c); },
  remove: async (c) => { server.engine.addressSpace.deleteNode(vars.get(c.name).node); vars.delete(c.name); },
  ramp: async (c) => { if (timer) clearInterval(timer); args.ramp = c.ms; timer = null; if (c.ms) timer = setInterval(() => { tick++; for (let i = 0; i < args.variables; i++) set("T" + i, tick + i / 1000); }, c.ms); },
  stop, start,
  configure: async (c) => { Object.assign(args, c.args); },
  restart: async (c) => { await stop(); if (c.absent) await new Promise((r) => setTimeout(r, c.absent)); Object.assign(args, c.args || {}); await start(); },
  // reset makes it the server of another test, at the same port.
  reset: async (c) => { await stop(); counts = {}; tick = 0; Object.assign(args, defaults, c.args, { port: args.port }); await start(); return { port: args.port }; },
  // drop closes all sessions, keep says whether their subscriptions may live on.
  drop: async (c) => { const e = server.engine; for (const s of Object.values(e._sessions)) e.closeSession(s.authenticationToken, !c.keep, "Timeout"); },
  dropSubscriptions: async () => { for (const s of Object.values(server.engine._sessions)) for (const sub of [...s.publishEngine.subscriptions]) sub.terminate(), sub.dispose(); },
  state: async (c) => { server.engine.setServerState(opcua.ServerState[c.state]); },
  register: async (c) => { server.engine.addressSpace.registerNamespace(c.uri); },
  forget: async () => { for (const s of Object.values(server.engine._sessions)) for (const sub of s.publishEngine.subscriptions) sub._sent_notification_messages = sub._sent_notification_messages ? [] : undefined; },
  counts: async () => ({ counts }),
  sessions: async () => ({ sessions: Object.keys(server.engine._sessions).length }),
  value: async (c) => ({ value: vars.get(c.name).value }),
};

(async () => {
  await start();
  const rl = readline.createInterface({ input: process.stdin });
  let chain = Promise.resolve();
  rl.on("line", (l) => {
    chain = chain.then(async () => {
      let answer = { ok: true };
      try {
        const c = JSON.parse(l);
        Object.assign(answer, (await commands[c.cmd](c)) || {});
      } catch (e) {
        answer = { ok: false, error: String((e && e.stack) || e) };
      }
      process.stdout.write(JSON.stringify(answer) + "\n");
    });
  });
  rl.on("close", () => process.exit(0));
  process.stdout.write(JSON.stringify({ ok: true, port: args.port, dir }) + "\n");
})().catch((e) => { process.stderr.write(String(e.stack || e) + "\n"); process.exit(1); });
