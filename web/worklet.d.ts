// What an AudioWorklet's scope has (Web Audio API, section 1.32, from memory), for the check of types alone.
declare const sampleRate: number;
declare class AudioWorkletProcessor {
	readonly port: MessagePort;
}
declare function registerProcessor(name: string, processor: typeof AudioWorkletProcessor): void;
