// Tests of the pages' pure parts. They run in the browser, beside the pages' own modules; run(base)
// gives a list of faults, empty when all is well, and the number of checks made.
let faults;
let checks;

function same(got, want, what) {
  checks++;
  const [a, b] = [JSON.stringify(got), JSON.stringify(want)];
  if (a !== b) faults.push(`${what}: got ${a}, want ${b}`);
}
const ok = (x, what) => same(!!x, true, what);

export async function run(base) {
  faults = [];
  checks = 0;
  const m = (name) => import(`${base}/${name}`);
  for (const [name, f] of Object.entries(TESTS)) {
    try {
      await f(m);
    } catch (e) {
      faults.push(`${name}: ${e.stack || e}`);
    }
  }
  return { faults, checks };
}

// A view of a mouth with three teeth, in the path's order.
const view = () => ({
  seq: 10, numbering: "universal", listening: true, at_end: false, pass: "depth", place: { tooth: "17", label: "2", aspect: "buccal", next: 1, sites: ["DB", "B", "MB"] },
  last: ["17.DB"], doubts: [], recorded: 1, sites: 12,
  line: [["18", ["DB", "B", "MB"]], ["17", ["DB", "B", "MB"]], ["16", ["DB", "B", "MB"]]].map(([tooth, sites]) => ({ tooth, aspect: "buccal", sites })),
  teeth: Object.fromEntries(["11", "12", "13", "14", "15", "16", "17", "18", "21", "22", "23", "24", "25", "26", "27", "28", "31", "32", "33", "34", "35", "36", "37", "38", "41", "42", "43", "44", "45", "46", "47", "48"].map((t) => [t, { label: "t" + t, state: ["17", "16", "11", "21", "47"].includes(t) ? "present" : "missing", sites: {} }])),
  calls: [{ seq: 4, did: "soundings", source: "voice", text: "one" }, { seq: 8, did: "set", source: "keyboard", text: "two" }],
});

const TESTS = {
  async changes(m) {
    const { apply } = await m("core/view.js");
    const v = { ...view(), question: { id: 1 }, undo: 8, signed_by: "x" };
    const head = { at_end: true, listening: false };
    const n = apply(v, { seq: 12, from: 10, head, teeth: { 17: { label: "t17", state: "present", sites: { DB: { depth: 4 } } } }, calls: [{ seq: 8, undone: true }, { seq: 11 }] });
    same([n.seq, n.at_end, n.listening], [12, true, false], "head is taken over");
    same([n.question, n.undo, n.signed_by], [undefined, undefined, undefined], "absent parts of a head mean none");
    same(n.teeth["17"].sites.DB.depth, 4, "changed tooth");
    same(n.teeth["16"], v.teeth["16"], "other teeth stay");
    same(n.calls.map((c) => [c.seq, !!c.undone]), [[4, false], [8, true], [11, false]], "calls are merged by number");
    same(v.seq, 10, "the old view is left alone");
    ok(apply(n, { seq: 12, from: 10, head }) === n, "a change that came twice changes nothing");
    ok(apply(n, { seq: 9, from: 8, head }) === n, "an older one neither");
    same(apply(n, { seq: 20, from: 14, head }), null, "a gap asks for the whole view");
    same(apply(n, { seq: 20, from: 0 }), null, "so does a change without content");
    same(apply(n, { seq: 3, from: 0 }), null, "even if the service stands further back than the page");
    ok(apply(n, { seq: 12, from: 12, answer: { tone: "misfit" } }).seq === 12, "an answer alone");
  },
  async places(m) {
    const V = await m("core/view.js");
    const v = view();
    same(V.nextKey(v), "17.B", "next site");
    same(V.nextKey({ ...v, at_end: true }), "", "none at the end");
    same(V.walk(v), ["17.DB", "17.B", "17.MB", "16.DB", "16.B", "16.MB"], "missing teeth are not walked");
    same([V.after(v, "17.MB"), V.after(v, "16.MB"), V.after(v, "36.B")], ["16.DB", "", ""], "what follows");
    // The order of sites turns at the midline: seen from the front, distal is outside on both sides.
    same(V.across("16", "buccal"), ["DB", "B", "MB"], "right side");
    same(V.across("26", "lingual"), ["ML", "L", "DL"], "left side");
    same(V.across("46", "buccal"), ["DB", "B", "MB"], "lower right");
    same(V.GRID.map((r) => r.length), [48, 48, 48, 48], "the table has every site");
    same(new Set(V.GRID.flat()).size, 192, "once");
    same(V.step(v, "16.MB", 1, 0), "11.DB", "arrows step over missing teeth");
    same(V.step(v, "11.MB", 1, 0), "21.MB", "and over the midline");
    same(V.step(v, "21.DB", 1, 0), "21.DB", "and stay where nothing follows");
    same(V.step(v, "17.DB", 0, 1), "17.DL", "down to the other row");
    same(V.step(v, "17.DL", 0, 1), "47.DL", "down to the other arch");
    same([3, 3.5, 4, 6.5, 10, 15, null].map(V.depthLevel), [3, 3, 4, 6, 10, 15, null], "steps of the depth scale");
    same([V.aspectName("buccal", "16", "facial-palatal"), V.aspectName("lingual", "16", "facial-palatal"), V.aspectName("lingual", "36", "facial-palatal"), V.aspectName("lingual", "16", "buccal-lingual")], ["facial", "palatal", "lingual", "lingual"], "words for rows");
    same([V.siteName("DL", "16", "facial-palatal"), V.siteName("B", "36", "buccal-lingual")], ["disto-palatal", "mid-buccal"], "words for sites");
    v.teeth["16"].sites.DB = { depth: 5, recession: -1, bleeding: true, plaque: false, doubt: "far from its neighbours" };
    same(V.say(v, "16.DB", "buccal-lingual"), "Tooth t16 disto-buccal: depth 5, recession -1, bleeding, no plaque, doubtful: far from its neighbours", "a site in words");
    same(V.letters(v.teeth["16"].sites.DB), "b", "letters");
    same([V.clock(0), V.clock(65e3), V.clock(3723e3)], ["0:00", "1:05", "1:02:03"], "clock");
    same(V.unprobed(v).length, 5, "sites without a depth");
    same(V.didText("19 lingual: 6 3 5; 19 lingual: recession -1 0 -2; 18 lingual: 3 2 3; 18 buccal: 3 3 3"), "19 lingual: 6 3 5; recession −1 0 −2; 18 lingual: 3 2 3; 18 buccal: 3 3 3", "what a call did");
    same([V.marginText(-1), V.marginText(0), V.marginText(undefined)], ["−1", "0", ""], "margins");
    same([V.fieldName("furcation.M"), V.fieldName("recession")], ["furcation mesial", "recession"], "fields");
    // What was left out comes at the end of the path: 16.DB has a depth, the others have none.
    same([V.after({ ...v, ended: true, rest: true }, "17.MB"), V.after({ ...v, ended: true }, "17.MB")], ["16.B", "16.B"], "the next site that was left out");
    v.teeth["17"].sites.B = { depth: 2 };
    same([V.after({ ...v, ended: true, rest: true }, "17.DB"), V.after({ ...v, ended: true }, "17.DB"), V.after({ ...v, ended: true, pass: "recession" }, "17.MB")], ["17.MB", "17.B", "16.B"], "a place that was asked for is walked whole");
  },
  async commands(m) {
    const C = await m("core/commands.js");
    const v = view();
    v.teeth["16"].sites.DB = { depth: 5, bleeding: false };
    v.teeth["16"].mobility = 2;
    same([C.seen(v, [], "16.DB", "depth"), C.seen(v, [], "16.DB", "bleeding"), C.seen(v, [], "16.B", "depth"), C.seen(v, [], "16.DB", "mobility"), C.seen(v, [], "16.DB", "presence")], ["5", "0", "", "2", "1"], "what stands there, as commands name it");
    const item = (...acts) => ({ body: { command: { acts } } });
    const pending = [item(C.set("16.DB", "depth", 6, "5")), item(C.sounding("17.B", 4)), item(C.set("16.DB", "depth", null, "6"))];
    same([C.seen(v, pending.slice(0, 2), "16.DB", "depth"), C.seen(v, pending, "16.DB", "depth"), C.seen(v, pending, "17.B", "depth")], ["6", "", "4"], "what was typed after it counts");
    const numbers = (v, partial) => {
      const c = C.coming(v, pending, partial);
      return [[...c.depth], [...c.recession]];
    };
    same(numbers(v), [[["16.DB", ""], ["17.B", 4]], []], "depths on their way");
    same(numbers({ ...v, pass: "recession" }, { soundings: { "17.MB": -1 } }), [[["16.DB", ""]], [["17.B", 4], ["17.MB", -1]]], "margins, and being heard");
    const both = C.coming(v, pending, { soundings: { "17.MB": 3 } });
    same([...both.why.values()], ["waits", "waits", "heard"], "why it is not entered yet");
    same(["16.DB", "17.B", "17.MB", "16.B"].map((k) => C.tentative(both, k)), ["depth cleared typed, waits for the service, not entered yet", "depth 4 typed, waits for the service, not entered yet", "depth 3 being heard, not entered yet", ""], "said in words");
    same([C.seen({ ...v, pass: "recession" }, pending, "17.B", "depth"), C.seen({ ...v, pass: "recession" }, pending, "17.B", "recession")], ["", "4"], "a number of a pass of margins");
    same(C.set("16.DB", "bleeding", 1, ""), { verb: "set", ref: { tooth: 16, site: "DB" }, field: "bleeding", was: "", number: 1 }, "set");
    same(C.lastCall({ ...v, undo: 8 }).text, "two", "the call that undo takes back");
    same(C.lastCall({ ...v, undo: undefined }), null, "none");
  },
  async keys(m) {
    const { press, KEYS } = await m("core/keys.js");
    const k = (key, more = {}) => ({ key, code: "", shiftKey: false, ctrlKey: false, altKey: false, metaKey: false, ...more });
    const type = (...evs) => {
      let wait = "";
      const acts = [];
      for (const e of evs) {
        const r = press(wait, typeof e === "string" ? k(e) : e);
        wait = r.wait;
        if (r.act && r.act.do !== "nothing") acts.push(r.act);
      }
      return [wait, acts];
    };
    same(type("3", "0"), ["", [{ do: "depth", number: 3 }, { do: "depth", number: 0 }]], "digits");
    same(type(k('"', { code: "Digit2", shiftKey: true })), ["", [{ do: "depth", number: 12 }]], "shift adds ten");
    same(type(k("2", { code: "Digit2", shiftKey: true })), ["", [{ do: "depth", number: 2 }]], "where digits need shift, the digit counts");
    same(type("+", "1"), ["", [{ do: "depth", number: 11 }]], "plus adds ten");
    same(type("r", "2"), ["", [{ do: "set", field: "recession", number: 2 }]], "recession");
    same(type("r", "-", "1"), ["", [{ do: "set", field: "recession", number: -1 }]], "margin above the CEJ");
    same(type("m", "1"), ["", [{ do: "tooth", field: "mobility", number: 1 }]], "mobility");
    same(type("f", "b", "2"), ["", [{ do: "tooth", field: "furcation.B", number: 2 }]], "furcation");
    same(type("r", "Escape", "4"), ["", [{ do: "depth", number: 4 }]], "escape forgets what waited");
    same(type("r", "q", "4"), ["", [{ do: "misfit" }, { do: "set", field: "recession", number: 4 }]], "a wrong key is said and keeps waiting");
    same(type("b", k("B", { shiftKey: true })), ["", [{ do: "flag", field: "bleeding", no: false }, { do: "flag", field: "bleeding", no: true }]], "flags");
    same(type(k("z", { ctrlKey: true })), ["", [{ do: "undo" }]], "control z");
    same(type(k("c", { ctrlKey: true }), k("b", { altKey: true })), ["", []], "the browser's own keys are left alone");
    const alt = (key, code, more) => k(key, { code, altKey: true, ...more });
    same(type("r", alt("4", "Digit4"), alt("€", "Digit5")), ["", [{ do: "correct", number: 4 }, { do: "correct", number: 5 }]], "alt corrects, whatever sign the key gives with it");
    same(type(alt("4", "Digit4", { shiftKey: true }), alt("'", "Digit4", { shiftKey: true }), alt("5", "Digit5", { ctrlKey: true })), ["", [{ do: "correct", number: 4 }]], "with shift only where digits need it, and not with control");
    same(type("q", "Tab", "F5"), ["", []], "other keys mean nothing");
    ok(KEYS.length > 12, "the table of keys");
  },
  async ring(m) {
    const { Ring, frame } = await m("core/ring.js");
    const r = new Ring(10);
    const seq = (a, b) => Int16Array.from({ length: b - a }, (_, i) => a + i);
    r.push(seq(0, 4));
    r.push(seq(4, 9));
    same([r.tail, r.head, [...r.slice(2, 8)]], [0, 9, [2, 3, 4, 5, 6, 7]], "not full yet");
    r.push(seq(9, 14));
    same([r.tail, r.head, [...r.slice(4, 14)]], [4, 14, [4, 5, 6, 7, 8, 9, 10, 11, 12, 13]], "turns over");
    r.push(seq(14, 40));
    same([r.tail, r.head, [...r.slice(30, 40)]], [30, 40, [30, 31, 32, 33, 34, 35, 36, 37, 38, 39]], "more than it holds at once");
    const b = new DataView(frame(2 ** 33 + 5, Int16Array.of(-2, 300)));
    same([b.byteLength, Number(b.getBigUint64(0, true)), b.getInt16(8, true), b.getInt16(10, true)], [12, 2 ** 33 + 5, -2, 300], "frame");
  },
  async nodes(m) {
    const N = await m("core/nodes.js");
    const { ask } = await m("core/server.js");
    const { Uplink } = await m("core/uplink.js");
    const { Ring } = await m("core/ring.js");
    const home = location.origin;
    const [a, b] = ["http://a.chart.example:1", "http://b.chart.example:1"];
    same([N.addressed("/api/x"), N.sound("/api/y"), N.elsewhere()], ["/api/x", home.replace("http", "ws") + "/api/y", false], "at home");
    let asked = [];
    const only = (...up) => async (url) => {
      asked.push(new URL(url).origin);
      if (!up.includes(new URL(url).origin)) throw new TypeError("refused");
      return {};
    };
    ok(!(await N.lost(only())), "a service of one node has no other");
    same(asked, [], "and is not asked again and again");
    N.knows([home, a + "/", b]);
    ok(await N.lost(only(home, a)), "the present node still answers");
    same([asked, N.elsewhere()], [[home], false], "then the page stays");
    let moves = 0;
    N.moved.addEventListener("moved", () => moves++);
    asked = [];
    same(await Promise.all([N.lost(only(b)), N.lost(only(b))]), [true, true], "it does not answer");
    same([asked, N.addressed("/api/x"), N.sound("/s"), moves], [[home, a, b], b + "/api/x", "ws://b.chart.example:1/s", 1], "one look, one move, to the next that answers");
    ok(!(await N.lost(only())), "none answers");
    same(N.node(), b, "it waits where it is");
    ok(!N.moveTo("http://evil.example"), "a node that is none is not gone to");
    let code = "";
    const sentTo = [];
    const fetcher = async (url, o) => {
      sentTo.push([url, o.credentials]);
      return new Response(JSON.stringify({ error: { code: "elsewhere", text: "there" }, node: a }), { status: 409 });
    };
    await ask("POST", "/api/exams/1/words", {}, { fetcher }).catch((e) => (code = [e.code, e.passing]));
    same([sentTo, code, N.node()], [[[b + "/api/exams/1/words", "include"]], ["elsewhere", true], a], "a command for another node moves the page, and is sent again");
    const urls = [];
    const up = new Uplink("/sound", new Ring(1000), { socket: (u) => (urls.push(u.split("?")[0]), { readyState: 0, send() {}, close() {} }), now: () => 0 });
    up.open();
    N.moveTo(home);
    up.open();
    same(urls, ["ws://a.chart.example:1/sound", home.replace("http", "ws") + "/sound"], "sound goes where the page is");
    N.knows([home]);
  },
  async uplink(m) {
    const { Ring } = await m("core/ring.js");
    const { Uplink } = await m("core/uplink.js");
    let now = 0;
    const sockets = [];
    const socket = (url) => {
      const s = { url, sent: [], readyState: 0, send(d) { this.sent.push(d); }, close() { this.readyState = 3; } };
      sockets.push(s);
      return s;
    };
    const got = (s) => s.sent.filter((d) => d instanceof ArrayBuffer).map((d) => [Number(new DataView(d).getBigUint64(0, true)), (d.byteLength - 8) / 2]);
    const ring = new Ring(32000);
    const up = new Uplink("/x", ring, { socket, now: () => now });
    up.open();
    ring.push(new Int16Array(512));
    up.pump();
    same(got(sockets[0]), [], "nothing is sent before the service said what it has");
    const texts = (s) => s.sent.filter((d) => typeof d === "string");
    up.speaks(3, "3. 2. 4");
    up.spoke(4, 9);
    sockets[0].onmessage({ data: '{"next":0}' });
    const marks = ['{"speaks":{"from":3,"text":"3. 2. 4"}}', '{"spoke":[3,9]}'];
    same([got(sockets[0]), texts(sockets[0])], [[[0, 512]], marks], "then all of it");
    ok(typeof sockets[0].sent[0] === "string", "our own voice is told before its sound");
    ok(/^ws:\/\/[^/]+\/x\?owner=[^&]{8,}&protocol=2&rate=16000$/.test(sockets[0].url), "what the page says of itself");
    sockets[0].onmessage({ data: '{"next":512}' });
    ring.push(new Int16Array(512));
    up.pump();
    // The answer to the second frame never comes: the connection breaks.
    sockets[0].onclose({ code: 1006 });
    same(up.state, "broken", "broken");
    ring.push(new Int16Array(20000));
    up.open();
    sockets[1].onmessage({ data: '{"next":512}' });
    same(got(sockets[1]), [[512, 16000], [16512, 4512]], "sent again from where the service stands, in pieces of a second");
    same(texts(sockets[1]), marks, "and with it our own voice, whose echo may still be in it");
    same(sockets[1].url, sockets[0].url, "the same stream");
    up.speaks(18000, "5");
    same(texts(sockets[1]).length, 3, "our own voice goes on being told");
    // The service was started anew: it stands before what it had answered.
    sockets[1].onmessage({ data: '{"next":20000}' });
    sockets[1].onclose({ code: 1012 });
    same(up.state, "broken", "a service that stops comes back");
    up.open();
    sockets[2].onmessage({ data: '{"next":17500}' });
    same([got(sockets[2]), texts(sockets[2]), up.acked], [[[17500, 3524]], ['{"speaks":{"from":18000,"text":"5"}}'], 17500], "from its position, with the mark that lies there, of which the end is not known yet");
    up.spoke(18000, 19000);
    same(texts(sockets[2]).at(-1), '{"spoke":[18000,19000]}', "the end");
    sockets.splice(2, 1);
    sockets[1].onclose({ code: 1006 });
    up.open();
    sockets[2].onmessage({ data: '{"next":1024}' });
    same(got(sockets[2])[0][0], 1024, "what the service has is not sent again");
    sockets[2].onclose({ code: 1006 });
    ring.push(new Int16Array(40000));
    up.open();
    sockets[3].onmessage({ data: '{"next":1024}' });
    same([got(sockets[3])[0][0], up.lost], [ring.tail, ring.tail - 1024], "what is older than the ring is counted as lost");
    now = 10000;
    ring.push(new Int16Array(512));
    up.pump();
    same([up.state, sockets[3].readyState], ["broken", 3], "a connection that does not answer is given up");
    up.open();
    sockets[4].onmessage({ data: '{"error":{"code":"mic_taken","text":"taken"}}' });
    sockets[4].onclose({ code: 4001 });
    same([up.state, up.trouble], ["taken", "taken"], "another microphone");
    up.open(true);
    ok(sockets[5].url.endsWith("&takeover=1"), "takeover");
    sockets[5].onmessage({ data: '{"next":0}' });
    up.close();
    same([up.state, sockets[5].sent.at(-1)], ["closed", '{"end":true}'], "switched off");
    // News may end the link: nothing is sent after it.
    const news = [];
    const told = new Uplink("/y", ring, { socket, now: () => now });
    told.addEventListener("news", (e) => (news.push(e.detail), told.close()));
    told.open();
    sockets[6].onmessage({ data: '{"next":0,"news":{"at":3}}' });
    sockets[6].onmessage({ data: '{"next":5,"news":{"at":4}}' });
    same([news, told.state], [[{ at: 3 }], "closed"], "news");
    // No room: a microphone that is new is told so and ends, one that was on goes on trying, with what was said meanwhile.
    const room = (s) => (s.onmessage({ data: '{"error":{"code":"busy","text":"busy"}}' }), s.onclose({ code: 4006 }));
    const fresh = new Uplink("/z", ring, { socket, now: () => now });
    fresh.open();
    room(sockets[7]);
    same([fresh.state, fresh.trouble], ["refused", "busy"], "a new microphone is refused");
    const on = new Uplink("/z", ring, { socket, now: () => now });
    on.open();
    sockets[8].onmessage({ data: '{"next":0}' });
    sockets[8].onclose({ code: 1006 });
    on.open();
    room(sockets[9]);
    same([on.state, on.trouble], ["broken", "busy"], "one that was on tries again");
    on.close();
  },
  async uplinkBegunAnew(m) {
    const { Ring } = await m("core/ring.js");
    const { Uplink } = await m("core/uplink.js");
    const sockets = [];
    const socket = (url) => {
      const s = { url, sent: [], readyState: 1, send(d) { this.sent.push(d); }, close() { this.readyState = 3; } };
      sockets.push(s);
      return s;
    };
    const owner = (s) => new URL(s.url).searchParams.get("owner");
    const ring = new Ring(32000);
    const up = new Uplink("/sound?voice=a", ring, { socket, now: () => 0 });
    up.open();
    ring.push(new Int16Array(1000));
    up.speaks(10, "3");
    // The service expects sound that this page has not recorded yet: it cannot be this page's stream.
    sockets[0].onmessage({ data: '{"next":5000}' });
    same([sockets.length, sockets[0].readyState, sockets[0].sent], [2, 3, []], "nothing is sent into the stream of another page");
    ok(owner(sockets[1]) !== owner(sockets[0]) && owner(sockets[1]) === up.owner, "a new owner");
    same([up.lost, ring.head, ring.tail], [1000, 0, 0], "what nobody knows to be heard or not is given up, and counted");
    up.spoke(10, 20);
    ring.push(new Int16Array(512));
    sockets[1].onmessage({ data: '{"next":0}' });
    same(sockets[1].sent.map((d) => [Number(new DataView(d).getBigUint64(0, true)), (d.byteLength - 8) / 2]), [[0, 512]], "the new stream begins at 0");
    sockets[1].onmessage({ data: '{"next":512}' });
    // So does one that the service cannot follow.
    sockets[1].onmessage({ data: '{"error":{"code":"too_far","text":"far"}}' });
    ok(sockets.length === 3 && owner(sockets[2]) !== owner(sockets[1]), "and another one");
    same([up.lost, up.acked], [1000, 0], "nothing more is lost");
    sockets[2].onmessage({ data: '{"error":{"code":"old_page","text":"load the page again"}}' });
    sockets[2].onclose({ code: 4003 });
    same([up.state, up.old], ["gone", true], "a page that is too old ends");
    up.open();
    sockets[3].onmessage({ data: '{"error":{"code":"bad_rate","text":"16000"}}' });
    sockets[3].onclose({ code: 4005 });
    same([up.state, up.old, up.trouble], ["refused", false, "16000"], "sound that is refused ends too");
  },
  async resampling(m) {
    const { Resampler } = await m("core/resample.js");
    const level = (rate, hz, block) => {
      const r = new Resampler(rate);
      const out = [];
      for (let i = 0; i < rate; i += block) {
        const x = Float32Array.from({ length: Math.min(block, rate - i) }, (_, j) => Math.sin((2 * Math.PI * hz * (i + j)) / rate));
        out.push(...r.push(x));
      }
      const mid = out.slice(2000, 14000);
      return [out.length, 20 * Math.log10(Math.sqrt(2 * mid.reduce((a, x) => a + x * x, 0) / mid.length) + 1e-9), out];
    };
    for (const rate of [44100, 48000, 96000, 8000]) {
      const [n, db] = level(rate, 1000, 128);
      ok(Math.abs(n - 16000) < 60, `${rate}: a second stays a second, ${n} samples`);
      ok(Math.abs(db) < 0.2, `${rate}: speech keeps its level, ${db} dB`);
      if (rate > 16000) ok(level(rate, 9500, 128)[1] < -50, `${rate}: what 16 kHz cannot hold is removed`);
    }
    const [, , a] = level(48000, 440, 128);
    const [, , b] = level(48000, 440, 1111);
    ok(a.every((x, i) => Math.abs(x - (b[i] ?? x)) < 1e-6), "blocks of any size give the same");
  },
  async answers(m) {
    const { TONES, plan, lasts, Answers } = await m("core/answers.js");
    const shape = (t) => JSON.stringify(t.map(([f, to]) => [f, to]));
    // The tones of the service's answers: exam.Tone.
    for (const t of ["accepted", "refused", "misfit", "doubt", "place", "arch", "listening", "standby", "part", "short"]) {
      ok(TONES[t], `tone for ${t}`);
      ok(Math.max(...TONES[t].map(([, , at, ms]) => at + ms)) <= 200, `${t} lasts 200 ms at most`);
    }
    same(new Set(Object.values(TONES).map(shape)).size, Object.keys(TONES).length, "all tones differ");
    const acc = { tone: "accepted", speak: "three. two. four.", must: false };
    const ask = { tone: "refused", speak: "which furcation", must: true };
    same(["tone", "numbers", "doubts", "silent"].map((x) => plan(x, acc)), [{ tone: "accepted", speak: "" }, { tone: "", speak: "three. two. four." }, { tone: "", speak: "" }, { tone: "", speak: "" }], "modes, accepted");
    same(["tone", "numbers", "doubts", "silent"].map((x) => plan(x, ask)), [{ tone: "refused", speak: "which furcation" }, { tone: "", speak: "which furcation" }, { tone: "refused", speak: "which furcation" }, { tone: "", speak: "" }], "modes, asked back");
    same(plan("numbers", { tone: "doubt", speak: "seven" }), { tone: "doubt", speak: "seven" }, "a doubt has its tone even when spoken");
    // Two tones with as many notes in the same direction lie a fourth apart (4/3) at least.
    const figure = (t) => `${t.length} ${Math.sign(t.at(-1)[1] - t[0][0])}`;
    const height = (t) => Math.exp(t.reduce((s, [from, to]) => s + Math.log(from * to) / 2, 0) / t.length);
    const all = Object.entries(TONES);
    for (const [i, [a, s]] of all.entries())
      for (const [b, t] of all.slice(i + 1)) {
        const ratio = height(s) / height(t);
        ok(figure(s) !== figure(t) || Math.max(ratio, 1 / ratio) >= 4 / 3, `${a} and ${b} can be told apart`);
      }
    const loud = (t) => Math.max(...t.map(([, , , , share = 1]) => share));
    ok(lasts("part") < lasts("accepted") && loud(TONES.part) < loud(TONES.accepted), "a piece of a place is answered shorter and softer than a full one");
    ok(all.every(([name, t]) => name === "short" || figure(t) !== figure(TONES.short)), "a place that stayed short has a figure of its own");
    const modes = (a) => ["tone", "numbers", "doubts", "silent"].map((x) => { const p = plan(x, a); return [p.tone, p.speak]; });
    same(modes({ tone: "part", speak: "three. two" }), [["part", ""], ["", "three. two"], ["", ""], ["", ""]], "modes, a piece of a place");
    same(modes({ tone: "part", speak: "" }), [["part", ""], ["part", ""], ["", ""], ["", ""]], "modes, a piece without words");
    same(modes({ tone: "short", speak: "three. two" }), [["short", ""], ["short", "three. two"], ["short", ""], ["", ""]], "modes, a place that stayed short");
    const where = "14 buccal";
    same(modes({ tone: "accepted", speak: "three", where }), [["accepted", where], ["", "three. 14 buccal"], ["", where], ["", ""]], "the place is said last, in silence never");
    same(modes({ tone: "short", speak: "two of three", must: true, where }), [["short", "two of three. 14 buccal"], ["short", "two of three. 14 buccal"], ["short", "two of three. 14 buccal"], ["", ""]], "the place after words that must be said");
    same(modes({ tone: "accepted", speak: "three", where: "" }), modes({ tone: "accepted", speak: "three" }), "no place, nothing of it");
    // The place alone is said when the tone is over; a call that comes before that keeps it quiet.
    const said = [];
    const real = Object.getOwnPropertyDescriptor(globalThis, "speechSynthesis");
    const voices = [{ lang: "en-GB", localService: true }];
    const utterance = globalThis.SpeechSynthesisUtterance;
    globalThis.SpeechSynthesisUtterance = function (text) { this.text = text; };
    Object.defineProperty(globalThis, "speechSynthesis", { configurable: true, value: { getVoices: () => voices, speak: (u) => said.push([u.text, performance.now()]), cancel: () => {} } });
    try {
      const wait = (ms) => new Promise((r) => setTimeout(r, ms));
      const one = new Answers();
      const from = performance.now();
      one.answer({ tone: "accepted", speak: "three", where }, "tone", 0.01);
      same([said.length, one.speaking], [0, true], "not yet said, but meant to be");
      await wait(lasts("accepted") + 200);
      same(said.map(([text]) => text), [where], "the place is said");
      ok(said[0][1] - from >= lasts("accepted"), "when the tone is over");
      one.answer({ tone: "accepted", speak: "three", where }, "tone", 0.01);
      one.hush();
      await wait(lasts("accepted") + 200);
      same([said.length, one.speaking], [1, false], "a call that comes first keeps it quiet");
      one.answer({ tone: "accepted", speak: "three", where }, "numbers", 0.01);
      same(said[1]?.[0], "three. 14 buccal", "numbers are said at once");
      one.answer({ tone: "accepted", speak: "three", where }, "silent", 0.01);
      await wait(200);
      same(said.length, 2, "nothing in silence");
    } finally {
      globalThis.SpeechSynthesisUtterance = utterance;
      Object.defineProperty(globalThis, "speechSynthesis", real);
    }
  },
  async map(m) {
    const { bands, curve, field } = await m("map/map.js");
    const col = (u, b, l, on = true) => ({ u, w: 0.1, b, l, on });
    // Between 2 and 6 mm the line of 4 mm lies half-way, that of 6 mm at the deeper end.
    const four = bands([col(0.05, 2, 2), col(0.15, 6, 6)], 4);
    ok(four.edges.length > 0 && four.edges.flat().every(([u]) => Math.abs(u - 0.1) < 1e-9), "the 4 mm line lies half-way between 2 and 6");
    const area = (polys) => polys.reduce((s, p) => s + Math.abs(p.reduce((a, [x, y], i) => a + x * p[(i + 1) % p.length][1] - p[(i + 1) % p.length][0] * y, 0)) / 2, 0);
    ok(Math.abs(area(four.polys) - 0.1) < 1e-9, "all beyond it is deep, to the edge of the tooth");
    same(bands([col(0.05, 3, 3), col(0.15, 3, 3)], 4), { polys: [], edges: [] }, "nothing is deep");
    ok(Math.abs(area(bands([col(0.05, 5, null), col(0.15, 5, null)], 4).polys) - 0.1) < 1e-9, "one shore surveyed: half of the strip");
    same(bands([col(0.05, null, null), col(0.15, 9, 9, false)], 4).polys, [], "neither blanks nor missing teeth are deep");
    const [a, b, c] = [curve(0), curve(0.5), curve(1)];
    ok(Math.abs(a.x + c.x) < 1e-6 && Math.abs(b.x) < 1 && a.nx === -1 && c.nx === 1 && b.ny < -0.99, "the arch is symmetric, its outside is outside");
    const v = view();
    v.teeth["17"].sites.MB = { depth: 7 };
    const f = field(v, ["18", "17", "16"]);
    same(f.map((x) => x.b), [null, null, null, null, null, 7, null, null, null], "depths by column");
    ok(f.every((x, i) => !i || x.u > f[i - 1].u), "columns in order");
  },
  async microphone(m) {
    const { remedy, advice } = await m("core/mic.js");
    ok(/localhost/.test(remedy(null, false, false)), "insecure origin");
    ok(/refused/.test(remedy({ name: "NotAllowedError" }, true, true)), "refused");
    ok(/No microphone/.test(remedy({ name: "NotFoundError" }, true, true)), "none");
    ok(/another program/.test(remedy({ name: "NotReadableError" }, true, true)), "busy");
    same(advice({ clipped: 0, noise: -60, level: -20 }), "", "all is well");
    ok(/loud/i.test(advice({ clipped: 0.05, noise: -60, level: -2 })), "too loud");
    ok(/noisy/i.test(advice({ clipped: 0, noise: -25, level: -20 })), "noisy");
  },
  async dates(m) {
    const { planDate, addMonths, isoDay } = await m("core/dates.js");
    // Like the service: the last day of a month that has no such day.
    for (const [from, n, want] of [["2026-11-19", 3, "2027-02-19"], ["2026-11-30", 3, "2027-02-28"], ["2027-11-30", 3, "2028-02-29"], ["2026-08-31", 1, "2026-09-30"], ["2026-12-31", 12, "2027-12-31"], ["2026-01-31", 24, "2028-01-31"], ["2026-11-19T00:00:00Z", 1, "2026-12-19"]]) same(addMonths(from, n), want, `${from} and ${n} months`);
    same(planDate(""), "", "no day");
    ok(/2027/.test(planDate("2027-02-19")) && /19/.test(planDate("2027-02-19")), "a day for people");
    same(isoDay(new Date(2026, 10, 5, 23, 59).getTime()), "2026-11-05", "the day here, not in Greenwich");
    same(isoDay(new Date(2026, 10, 5, 0, 1).getTime()), "2026-11-05", "just after midnight");
    const { stateOf } = await m("desk/due.js");
    same(["", "2026-11-24", "2026-11-25", "2026-11-26", "2026-11-04", "2027-01-01"].map((d) => stateOf(d, "2026-11-25")), ["nothing decided", "overdue since yesterday", "today", "tomorrow", "overdue by 21 days", "in 37 days"], "how far");
  },
  async plans(m) {
    const { draftOf, planOf } = await m("desk/plan.js");
    same(planOf(draftOf(undefined)), {}, "nothing decided is nothing stored");
    const d = { phases: [{ id: "step2", title: "Step 2", items: ["A", "B"] }], recall_months: 3, recall: "2027-02-19", home_care: [{ id: "idb", text: "Brush.", where: "here" }], achieved: ["bass"], note: "N", who: "Ann", time: 5, call: 7 };
    const { who, time, call, ...plan } = d;
    same(planOf(draftOf(d), d), { phases: plan.phases, home_care: plan.home_care, recall: "2027-02-19", note: "N", recall_months: 3, achieved: ["bass"] }, "there and back");
    const draft = draftOf(d);
    draft.phases[0].items[0] = "changed";
    draft.home_care[0].text = "changed";
    ok(d.phases[0].items[0] === "A" && d.home_care[0].text === "Brush.", "a draft is a copy");
    draft.phases[0].items = ["  a   b ", " ", ""];
    same(planOf(draft, d).phases, [{ id: "step2", title: "Step 2", items: ["a b"] }], "blank lines go, spaces are tidied");
    draft.phases[0].items = [];
    draft.home_care = [];
    same([planOf(draft, d).phases, planOf(draft, d).home_care, planOf(draft).phases], [[], [], undefined], "all taken out of a decision is a decision for nothing");
    draft.recall = "";
    draft.recall_months = 0;
    ok(!("recall" in planOf(draft, d)) && !("recall_months" in planOf(draft, d)), "no recall");
  },
  async sitesOverTime(m) {
    const { siteClass, courseChart } = await m("desk/time.js");
    same(["not-compared", "new-pocket", "closed", "worse", "deeper", "better", "shallower", "not-sure", "same"].map((became) => siteClass({ became })[0]), ["", "n", "h", "w", "d", "i", "s", "?", ""], "letters of sites");
    same(siteClass({ became: "worse", confirmed: true })[1], "attachment lost by 2 mm or more, measured twice", "a double reading is named");
    const f = courseChart("Bleeding", [1e12, 2e12, 3e12], [["bleeding", [40, null, 10]], ["plaque", [null, null, null]]], "%");
    same([f.querySelectorAll("circle").length, f.querySelectorAll("polyline").length], [2, 1], "only what is known is drawn");
    ok(f.querySelector("svg").getAttribute("aria-label").includes("bleeding: 40, not recorded, 10"), "the drawing is said in words");
    const one = courseChart("Bleeding", [1e12], [["bleeding", [40]]], "%");
    ok(!/NaN|Infinity/.test(one.outerHTML) && one.querySelectorAll("circle").length === 1, "a single exam");
    ok(!/NaN|Infinity/.test(courseChart("Deep", [1e12, 1e12], [["4", [0, 0]]], "").outerHTML), "two exams at one time, nothing deep");
  },
  async questions(m) {
    const { gapsOf, answersOf, FIELDS, CARE_FIELDS } = await m("desk/inputs.js");
    const v = view();
    same(gapsOf(v), ["17-16", "11-21"], "gaps are between neighbours that are there, across the midline too");
    same(answersOf({ 16: { lost_to: "never_formed", sites: { DB: { cej_unknown: true } }, implant: { mobile: false } } }, v), ["t16: lost to: never formed, sites DB cej unknown: yes, implant mobile: no"], "answers in words");
    same(answersOf(undefined, v), [], "no answers");
    const names = [...FIELDS, ...CARE_FIELDS].map(([n]) => n);
    same(new Set(names).size, names.length, "each question once");
  },
};
