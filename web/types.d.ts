// What the service tells the pages of a running exam, and what they send (docs/api.md), for the check of types alone.
type Aspect = "buccal" | "lingual";
interface Place { tooth: string; label: string; aspect: Aspect; next: number; sites: string[] }
interface LineStep { tooth: string; aspect: Aspect; sites: string[] }
interface SiteView {
	depth?: number; recession?: number; attachment_loss?: number;
	bleeding?: boolean; suppuration?: boolean; plaque?: boolean; calculus?: boolean;
	doubt?: string; amended?: Record<string, string>;
}
interface ToothView {
	label: string; state: "present" | "missing" | "implant" | "unerupted"; assumed?: boolean; mobility?: number;
	furcation?: Record<string, number>; entrances?: string[]; sites: Record<string, SiteView>; amended?: Record<string, string>;
}
interface DoubtView { tooth: string; label: string; site: string; field: string; value?: number; reason: string; rival?: string; call: number }
interface CallView {
	seq: number; time: number; source: "voice" | "keyboard" | "tool"; person?: string; who?: string; did: string; words?: string; text: string;
	confidence?: number; refused?: string; undone?: boolean; effects?: boolean;
}
interface Question { id: number; text: string; speak: string; tooth?: string; site?: string }
interface Remark { call: number; place: string; text: string; time: number; who?: string }
/** All that a page shows of an exam: exam.View. */
interface View {
	exam: string; seq: number; numbering: "fdi" | "universal"; line: LineStep[]; teeth: Record<string, ToothView>; calls: CallView[];
	place: Place; then?: Place; focus: Place; last: string[]; at_end: boolean; ended?: boolean; rest?: boolean; listening: boolean;
	recorded: number; sites: number; doubts: DoubtView[]; question?: Question; undo?: number; say: string[]; complete: boolean;
	signed_by?: string; path: string; pass: "depth" | "recession"; unprobed?: string[]; remarks: Remark[]; waits: boolean; void?: object;
}
interface Heard { words: string; soundings?: Record<string, number> }
/** One act of a command: chart.Command. */
interface Act {
	verb: string; ref?: { tooth: number; site: string }; field?: string; number?: number; numbers?: number[]; was?: string;
	calls?: number[]; tooth?: number; aspect?: string; has_aspect?: boolean; text?: string;
}
/** A command on its way, until the service has answered and the chart shows it. */
interface Waiting { id: string; path: "words" | "do"; body: { id: string; text?: string; command?: { acts: Act[] } }; person?: string; label: string; since: number; stuck?: boolean; call?: number }
interface Refused { id: string; label: string; text: string; item: Waiting }
/** What a key press asks for (core/keys.js). */
interface Deed { do: string; number?: number; field?: string; no?: boolean; dx?: number; dy?: number; verb?: string }
/** What becomes of a view after a call: exam.Change. */
interface Change {
	seq: number; from: number; head?: Partial<View>; teeth?: Record<string, ToothView>; line?: LineStep[]; calls?: CallView[];
	answer?: { call?: number; did?: string; words: string; text: string; tone: string }; partial?: Heard; mic?: Mic;
}
interface Mic { on: boolean; hearing: boolean; level_db: number; noise_db: number; clipped: number; trouble?: string; stream_ms: number }
/** Numbers that are not entered yet, by site, and why (core/commands.js). */
interface Coming { depth: Map<string, number | "">; recession: Map<string, number | "">; why: Map<string, "waits" | "heard"> }
/** What of a key press counts. */
type KeyPress = Pick<KeyboardEvent, "key" | "code" | "shiftKey" | "ctrlKey" | "altKey" | "metaKey">;
