"""The acoustic model: a Whisper encoder cut to short windows, and a head that gives phone log-probabilities."""
import torch
import torch.nn.functional as F
from torch import nn


class TimeConv(nn.Module):
    """A convolution over time, x [B, T, C]. linear() turns it into one matrix product over shifted copies, which int8
    quantization and small CPUs like better."""

    def __init__(self, c_in, c_out, kernel, stride=1):
        super().__init__()
        self.weight = nn.Parameter(torch.empty(c_out, c_in, kernel))
        self.bias = nn.Parameter(torch.zeros(c_out))
        nn.init.kaiming_uniform_(self.weight, a=5 ** .5)
        self.k, self.stride, self.as_linear = kernel, stride, None

    def linear(self):
        o, i, k = self.weight.shape
        self.as_linear = nn.Linear(i * k, o)
        self.as_linear.weight.data = self.weight.data.permute(0, 2, 1).reshape(o, k * i).clone()
        self.as_linear.bias.data = self.bias.data.clone()

    def forward(self, x):
        if self.as_linear is None:
            return F.conv1d(x.transpose(1, 2), self.weight, self.bias, self.stride, self.k // 2).transpose(1, 2)
        x = F.pad(x, (0, 0, self.k // 2, self.k // 2))
        last = self.k - 1
        return self.as_linear(torch.cat([x[:, j:(j - last) or None:self.stride] for j in range(self.k)], -1))


class Block(nn.Module):
    def __init__(self, d):
        super().__init__()
        self.heads = d // 64
        self.n1, self.n2 = nn.LayerNorm(d), nn.LayerNorm(d)
        self.qkv, self.o = nn.Linear(d, 3 * d), nn.Linear(d, d)
        self.f1, self.f2 = nn.Linear(d, 4 * d), nn.Linear(4 * d, d)

    def forward(self, x):
        b, t, d = x.shape
        q, k, v = self.qkv(self.n1(x)).reshape(b, t, 3, self.heads, 64).permute(2, 0, 3, 1, 4).unbind(0)
        if torch.onnx.is_in_onnx_export():  # plain operators, so that int8 quantization finds the products
            a = torch.softmax((q * 0.125) @ k.transpose(-1, -2), -1) @ v
        else:
            a = F.scaled_dot_product_attention(q, k, v)
        x = x + self.o(a.transpose(1, 2).reshape(b, t, d))
        return x + self.f2(F.gelu(self.f1(self.n2(x))))


class Encoder(nn.Module):
    """forward returns the outputs of all blocks, the last one normalized."""

    def __init__(self, weights):
        super().__init__()
        d = weights["c1.weight"].shape[0]
        self.c1, self.c2 = TimeConv(80, d, 3), TimeConv(d, d, 3, 2)
        self.pos = nn.Parameter(torch.zeros(weights["pos"].shape))
        self.b = nn.ModuleList(Block(d) for _ in range(len({k.split(".")[1] for k in weights if k.startswith("b.")})))
        self.ln = nn.LayerNorm(d)
        self.load_state_dict({k: torch.as_tensor(v).float() for k, v in weights.items()})

    def forward(self, mel):
        x = F.gelu(self.c1(mel.transpose(1, 2)))
        x = F.gelu(self.c2(x))
        x = x + self.pos[:x.shape[1]]
        outs = []
        for block in self.b:
            x = block(x)
            outs.append(x)
        outs[-1] = self.ln(x)
        return outs


class Head(nn.Module):
    """A learnt mix of all blocks, a linear layer, residual convolutions over time, and the last linear layer."""

    def __init__(self, d, blocks, width=256, kernels=(5, 5), dropout=0.2):
        super().__init__()
        self.mix = nn.Parameter(torch.linspace(-1, 0, blocks))
        self.norms = nn.ModuleList(nn.LayerNorm(d, elementwise_affine=False) for _ in range(blocks))
        self.l, self.n = nn.Linear(d, width), nn.LayerNorm(width)
        self.c = nn.ModuleList(TimeConv(width, width, k) for k in kernels)
        self.cn = nn.ModuleList(nn.LayerNorm(width) for _ in kernels)
        self.drop = nn.Dropout(dropout)
        self.out = nn.Linear(width, 40)

    def forward(self, outs):
        w = torch.softmax(self.mix, 0)
        x = sum(w[i] * n(o) for i, (n, o) in enumerate(zip(self.norms, outs)))
        x = self.n(self.l(self.drop(x)))
        for c, n in zip(self.c, self.cn):
            x = n(x + self.drop(F.gelu(c(x))))
        return x


class Model(nn.Module):
    """mel [B, 80, T] to log-probabilities [B, T/2, 40] and the input of the last linear layer [B, T/2, width]."""

    def __init__(self, weights, **head):
        super().__init__()
        self.e = Encoder(weights)
        self.h = Head(self.e.ln.normalized_shape[0], len(self.e.b), **head)

    def forward(self, mel):
        hidden = self.h(self.e(mel))
        return F.log_softmax(self.h.out(hidden).float(), -1), hidden


def load(path):
    """A trained NAME.npz."""
    import json

    import numpy as np
    z = dict(np.load(path))
    conf = json.loads(str(z.pop("config")))
    net = Model({k[2:]: v for k, v in z.items() if k.startswith("e.")}, width=conf["width"], kernels=conf["kernels"]).eval()
    net.load_state_dict({k: torch.as_tensor(v).float() for k, v in z.items()})
    return net
