"""Train one variant of the acoustic model.

    python train.py NAME --packs DIR --noise DIR --weights tiny.npz|base.npz|--init NAME.npz --out DIR --seconds N [--tune 2 ...]

Writes OUT/NAME.npz (fp16, moving average of the weights) and OUT/NAME.log. It stops by the clock: the learning rate
follows a cosine over the given seconds, so runs on another machine differ in steps (the log says how many).
"""
import argparse
import copy
import json
import math
import multiprocessing
import pathlib
import time

import numpy as np
import torch

import split
from batches import Plan, Spoiler
from cepstra import Cepstra
from model import Model, load
from prepare import load_packs


def background(gen, depth=12):
    """What gen gives, made in a process of its own."""
    fork = multiprocessing.get_context("fork")
    q = fork.Queue(depth)

    def work():
        for x in gen:
            q.put(x)
    fork.Process(target=work, daemon=True).start()
    while True:
        yield q.get()


def agrees(known, labels, frames, lens):
    """Where [batch, frames] a teacher says what its best alignment of the label would say: not where it swallows a word, or hears another."""
    with torch.enable_grad():
        lp = known.detach().float().requires_grad_()
        nll = torch.nn.functional.ctc_loss(lp.transpose(0, 1), labels, frames, lens, reduction="sum", zero_infinity=True)
        # The gradient is the posterior without the label less the one with it.
        off = torch.autograd.grad(nll, lp)[0].abs().sum(-1) / 2
    off = torch.nn.functional.max_pool1d(off[:, None], 5, 1, 2)[:, 0]
    return (off < .6).float()


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("name")
    ap.add_argument("--packs", required=True)
    ap.add_argument("--noise", required=True)
    ap.add_argument("--weights", help="a pretrained encoder to begin with")
    ap.add_argument("--init", help="or a NAME.npz of an earlier run to go on from")
    ap.add_argument("--out", required=True, type=pathlib.Path)
    ap.add_argument("--seconds", type=float, required=True)
    ap.add_argument("--tune", type=int, default=2, help="upper blocks that are tuned; the rest is frozen; all + 1: convolutions too")
    ap.add_argument("--lr", type=float, default=1e-3, help="of the head")
    ap.add_argument("--tune-lr", type=float, default=5e-5, help="of the top block")
    ap.add_argument("--decay", type=float, default=0.8, help="learning rate of a block against that of the one above")
    ap.add_argument("--pull", type=float, default=0.02, help="share of the way back to the start, times the learning rate ratio, a 100 steps")
    ap.add_argument("--width", type=int, default=256)
    ap.add_argument("--kernels", type=int, nargs="+", default=[5, 5])
    ap.add_argument("--dropout", type=float, default=0.2)
    ap.add_argument("--batch", type=int, default=64)
    ap.add_argument("--an4", type=float, default=0.0, help="share of batches made of AN4's cepstra (PACKS/an4.npz)")
    ap.add_argument("--teach", type=float, default=0.0, help="weight of the teacher, which hears the sound unspoilt and 0.6 s more on either side")
    ap.add_argument("--teacher", help="its NAME.npz (else the model of --init)")
    ap.add_argument("--roles", default="train", help="roles whose speakers are heard, separated by commas; with dev nothing is left to choose by")
    ap.add_argument("--windows", type=float, default=.7, help="share of windows as the engine gives them")
    ap.add_argument("--leave-out", default="", help="sources of clips not to use, separated by commas")
    ap.add_argument("--hard", type=float, default=0.0, help="share of samples in loud noise, a telephone's band, a mask or an unusual vocal tract")
    ap.add_argument("--threads", type=int, default=2)
    ap.add_argument("--seed", type=int, default=1)
    a = ap.parse_args()
    torch.set_num_threads(a.threads)
    roles = a.roles.split(",")
    sound, clips = load_packs(a.packs, ("real", "espeak", "flite-", "hibari", "kokoro-", *(["dev"] if "dev" in roles else [])))
    clips = [c for c in clips if c["source"] in ("espeak", "flite", "hibari", "kokoro") or split.role("speaker", c["speaker"]) in roles]
    clips = [c for c in clips if c["source"] not in a.leave_out.split(",") and not c.get("bad")]
    plan = background(Plan(clips, a.batch, a.seed, windows=a.windows).batches())
    plan.send(None)  # starts its process, before the GPU is touched
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(a.seed)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    a.out.mkdir(parents=True, exist_ok=True)
    log = open(a.out / f"{a.name}.log", "w")

    def say(*x):
        print(a.name, *x, flush=True)
        print(*x, file=log, flush=True)

    import soundfile as sf
    noises = []
    for p in sorted(p for p in pathlib.Path(a.noise).iterdir() if p.suffix in (".flac", ".ogg")):
        if split.role("noise", p.stem) == "train":
            x = sf.read(p, dtype="float32")[0]
            if x.std() > 1e-5:
                noises.append(x)
    spoil = Spoiler(sound, clips, noises, dev, a.seed, hard=a.hard)
    cepstra = Cepstra(pathlib.Path(a.packs) / "an4.npz") if a.an4 else None
    ids = [i for i, s in enumerate(cepstra.speakers) if split.role("speaker", s) in roles] if a.an4 else []
    if a.init:
        net = load(a.init)
        a.width, a.kernels = net.h.n.normalized_shape[0], [c.k for c in net.h.c]
        for m in net.modules():
            if isinstance(m, torch.nn.Dropout):
                m.p = a.dropout
    else:
        net = Model(dict(np.load(a.weights)), width=a.width, kernels=a.kernels, dropout=a.dropout)
    net = net.to(dev)
    teacher = (load(a.teacher).to(dev) if a.teacher else copy.deepcopy(net)).eval().requires_grad_(False) if a.teach else None
    blocks = len(net.e.b)
    for p in net.e.parameters():
        p.requires_grad = False
    groups = [dict(params=list(net.h.parameters()), lr=a.lr, weight_decay=0.01)]
    for depth in range(min(a.tune, blocks)):
        ps = list(net.e.b[blocks - 1 - depth].parameters()) + (list(net.e.ln.parameters()) if depth == 0 else [])
        groups.append(dict(params=ps, lr=a.tune_lr * a.decay ** depth, weight_decay=0.0))
    if a.tune > blocks:
        ps = list(net.e.c1.parameters()) + list(net.e.c2.parameters()) + [net.e.pos]
        groups.append(dict(params=ps, lr=a.tune_lr * a.decay ** blocks, weight_decay=0.0))
    for g in groups[1:]:
        for p in g["params"]:
            p.requires_grad = True
    opt = torch.optim.AdamW(groups, betas=(0.9, 0.98), fused=dev == "cuda")
    base = [g["lr"] for g in opt.param_groups]
    start = [(p, p.detach().clone()) for g in groups[1:] for p in g["params"]]
    avg = {k: v.detach().clone().float() for k, v in net.state_dict().items()}
    live = net.state_dict()
    keys = list(avg)
    say(json.dumps(vars(a), default=str), len(clips), "clips", len(noises), "noises", dev)
    t0, step, total, hits = time.time(), 0, 0.0, 0
    net.train()
    while True:
        done = (time.time() - t0) / a.seconds
        if done >= 1:
            break
        scale = min(1, (step + 1) / 300) * (0.5 + 0.5 * math.cos(math.pi * done))
        for g, lr in zip(opt.param_groups, base):
            g["lr"] = lr * scale
        with torch.no_grad():
            if ids and spoil.rng.random() < a.an4:
                mel, labels, frames, lens, wide, sure = spoil.cepstral(cepstra, ids, a.batch)
            else:
                mel, labels, frames, lens, wide, sure = spoil(next(plan))
        with torch.autocast(dev, torch.bfloat16):
            lp, _ = net(mel)
        loss = torch.nn.functional.ctc_loss(lp.transpose(0, 1), labels, frames, lens, zero_infinity=True)
        if teacher:
            with torch.no_grad(), torch.autocast(dev, torch.bfloat16):
                at = (wide.shape[2] - mel.shape[2]) // 4
                known = teacher(wide[:, :, :1000])[0][:, at:at + lp.shape[1]]
                # Where the teacher itself misses what is said (an accent, say), it is not listened to.
                wrong = torch.nn.functional.ctc_loss(known.transpose(0, 1), labels, frames.clamp(max=known.shape[1]), lens, reduction="none")
                trust = torch.exp(-wrong / lens.clamp(min=1))[:, None] * agrees(known, labels, frames.clamp(max=known.shape[1]), lens)
            n = known.shape[1]
            sure = sure[:, :n] * trust
            far = torch.nn.functional.kl_div(lp[:, :n], known, log_target=True, reduction="none").sum(-1)
            taught = (far * sure).sum() / sure.sum().clamp(min=1)
            loss = loss + a.teach * taught
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_([p for g in groups for p in g["params"]], 5.0)
        opt.step()
        step += 1
        with torch.no_grad():
            if start and a.pull and step % 100 == 0:
                for p, s in start:
                    p.lerp_(s, a.pull * scale)
            if step % 10 == 0:
                w = min(0.99, step / (step + 200))
                torch._foreach_lerp_([avg[k] for k in keys], [live[k].float() for k in keys], 1 - w)
        if step % 20 == 0:
            total, hits = total + loss.item(), hits + 1
        if step % 400 == 0 or step == 40:
            say(step, f"{time.time() - t0:.0f}s loss {total / max(hits, 1):.4f} frames {mel.shape[2]}")
            total, hits = 0.0, 0
    say("steps", step)
    np.savez(a.out / f"{a.name}.npz", config=json.dumps(dict(width=a.width, kernels=a.kernels, steps=step)),
             **{k: v.half().cpu().numpy() for k, v in avg.items()})


if __name__ == "__main__":
    main()
