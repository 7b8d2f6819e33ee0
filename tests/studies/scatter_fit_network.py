"""The network of the scan check in PyTorch, for fitting only; `planner_core.imaging.scatter_network` runs it."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from planner_core.errors import PlannerError
from planner_core.imaging.scatter_chance import Answer
from planner_core.imaging.scatter_inputs import CHANNELS
from tests.studies.scatter import ranking

WIDTHS = (20, 40, 64, 96)
PLANES, HALO = 32, 5
"""Planes of an example used at once, and those at its cut ends that do not count."""
BATCH, BATCH_CONTINUED = 4, 1
RATE, RATE_CONTINUED, DECAY = 3e-3, 4e-4, 1e-3
AVERAGED_OVER = 60
"""Steps over which the written numbers are averaged, so that the last examples do not decide."""
RUINED_PLANES = 0.8
"""Share of the cuts that are laid over a plane with something ruined: most planes have nothing."""
WATCHED_EVERY = 10
KIND_WEIGHTS = (0.3, 0.3, 1.5, 2.5, 3.0, 1.0, 2.0, 0.5)
"""Rare kinds count more; `scatter_chance.FITTED_WEIGHT` takes it back."""
LOSS_WEIGHTS = (1.0, 2.0, 0.1, 0.2)
"""Of the chance, of what was added, of the jaw region, of the kinds."""
DEVICE = "cuda" if torch.cuda.is_available() else "cpu"


class Block(nn.Module):
    """Convolution, normalisation, what is above zero."""

    def __init__(self, ins: int, outs: int, planes: int) -> None:
        super().__init__()
        self.beyond = planes // 2
        self.conv = nn.Conv3d(ins, outs, (planes, 3, 3), padding=(0, 1, 1), bias=False)
        self.norm = nn.BatchNorm3d(outs, momentum=0.03)
        nn.init.kaiming_normal_(self.conv.weight, nonlinearity="relu")

    def forward(self, x: Tensor) -> Tensor:
        """Apply; the ends of the scan are continued by their planes, as where it is run."""
        grown = functional.pad(x, (0, 0, 0, 0, self.beyond, self.beyond), mode="replicate") if self.beyond else x
        return functional.relu(self.norm(self.conv(grown)))


class Net(nn.Module):
    """Layers by the names that the fitted file uses."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d = WIDTHS
        self.blocks = nn.ModuleDict(
            {
                "e0a": Block(len(CHANNELS), a, 3),
                "e0b": Block(a, a, 3),
                "e1a": Block(a, b, 3),
                "e1b": Block(b, b, 1),
                "e2a": Block(b, c, 3),
                "e2b": Block(c, c, 1),
                "e3a": Block(c, d, 1),
                "e3b": Block(d, d, 1),
                "e4a": Block(d, d, 1),
                "e4b": Block(d, d, 1),
                "d3": Block(d, d, 1),
                "d2": Block(c, c, 1),
                "d1": Block(b, b, 1),
                "d0": Block(a, a, 3),
            }
        )
        ups = {"u3": (d, d), "u2": (d, c), "u1": (c, b), "u0": (b, a), "head": (a, len(Answer))}
        self.mixes = nn.ModuleDict({name: nn.Conv3d(i, o, 1) for name, (i, o) in ups.items()})

    def forward(self, x: Tensor) -> Tensor:
        """Apply; rows and columns are multiples of 16."""
        down = []
        for level in range(5):
            x = x if level == 0 else functional.max_pool3d(x, (1, 2, 2))
            x = self.blocks[f"e{level}b"](self.blocks[f"e{level}a"](x))
            down.append(x)
        for level in (3, 2, 1, 0):
            mixed = self.mixes[f"u{level}"](x).repeat_interleave(2, -1).repeat_interleave(2, -2)
            x = self.blocks[f"d{level}"](down[level] + mixed)
        return self.mixes["head"](x)


def _load(path: Path) -> dict[str, Tensor]:
    with np.load(path) as stored:
        return {name: torch.from_numpy(stored[name]).to(DEVICE) for name in stored.files}


def _cut(example: dict[str, Tensor], size: tuple[int, int], rng: np.random.Generator) -> list[Tensor]:
    """Take some planes, mirror them half of the time, vary the scale a little, put them into a larger plane."""
    _, depth, rows, columns = example["channels"].shape
    planes = min(PLANES, depth)
    start = int(rng.integers(0, depth - planes + 1))
    ruined = torch.nonzero(example["ruined"].flatten(1).amax(1) > 0.5).flatten()
    if len(ruined) and rng.random() < RUINED_PLANES:
        start = int(ruined[int(rng.integers(len(ruined)))]) - int(rng.integers(HALO, planes - HALO))
        start = min(max(start, 0), depth - planes)
    part = slice(start, start + planes)
    counted = torch.ones(planes, rows, columns, device=DEVICE)
    if start > 0:
        counted[:HALO] = 0
    if start + planes < depth:
        counted[-HALO:] = 0
    channels = example["channels"][:, part].float().clone()
    channels[0] = channels[0] * float(np.exp(rng.normal(0, 0.03))) + float(rng.normal(0, 0.015))
    channels[0] += torch.randn_like(channels[0]) * float(rng.choice([0, 0, 0.01, 0.03]))
    truths = [example[name][part].float() for name in ("ruined", "added", "jaw", "bodies", "kind")]
    out = [channels, *truths, counted]
    if rng.random() < 0.5:
        out = [values.flip(-1) for values in out]
    y, x = int(rng.integers(0, size[0] - rows + 1)), int(rng.integers(0, size[1] - columns + 1))
    edges = (x, size[1] - columns - x, y, size[0] - rows - y)
    return [functional.pad(values, edges) for values in out]


def _whole(cells: int) -> int:
    return 16 * ((cells + 15) // 16)


def _batches(examples: list[dict[str, Tensor]], rng: np.random.Generator, batch: int) -> Iterator[list[Tensor]]:
    worth = np.array([1.0 if bool((e["ruined"] > 0).any()) else 0.35 for e in examples])
    while True:
        chosen = [examples[i] for i in rng.choice(len(examples), batch, p=worth / worth.sum())]
        size = tuple(max(_whole(e["channels"].shape[axis]) for e in chosen) for axis in (2, 3))
        parts = [_cut(e, (size[0], size[1]), rng) for e in chosen]
        planes = min(part[-1].shape[0] for part in parts)
        yield [torch.stack([part[n][..., :planes, :, :] for part in parts]) for n in range(len(parts[0]))]


def _loss(said: Tensor, truths: list[Tensor]) -> Tensor:
    ruined, added, jaw, bodies, kind, counted = truths
    apart = (bodies < 0.02).float()
    weight = counted * apart * (jaw + 0.08)
    kind_weight = counted * torch.where(kind > 0, 1.0, 0.25 * (0.03 + 0.3 * apart))
    binary = functional.binary_cross_entropy_with_logits
    off = functional.smooth_l1_loss(said[:, Answer.ADDED], added.clamp(-1, 1), reduction="none", beta=0.1)
    weights = torch.tensor(KIND_WEIGHTS, device=DEVICE)
    named = functional.cross_entropy(said[:, Answer.NATURAL :], kind.long(), weight=weights, reduction="none")
    parts = (
        (binary(said[:, Answer.RUINED], ruined, reduction="none"), weight),
        (off, weight),
        (binary(said[:, Answer.JAW], jaw, reduction="none"), counted),
        (named, kind_weight),
    )
    total = sum(c * (v * w).sum() / w.sum() for c, (v, w) in zip(LOSS_WEIGHTS, parts, strict=True))
    assert isinstance(total, Tensor)
    return total


def watched(net: Net, examples: list[dict[str, Tensor]]) -> dict[str, float]:
    """Count cells of mouths that were not fitted on."""
    levels, truths = [], []
    net.eval()
    with torch.no_grad():
        for example in examples:
            rows, columns = example["channels"].shape[2:]
            padded = functional.pad(example["channels"].float()[None], (0, -columns % 16, 0, -rows % 16))
            said = net(padded)[0, Answer.RUINED, :, :rows, :columns]
            counted = (example["jaw"] > 0.5) & (example["bodies"] < 0.02)
            if bool((example["ruined"] > 0).any()):
                levels.append(said[counted].cpu().numpy().astype(float))
                truths.append((example["ruined"][counted] > 0.5).cpu().numpy())
    net.train()
    if not levels:
        return {}
    auc, average, dice = ranking(np.concatenate(levels), np.concatenate(truths))
    return {"watched_auc": auc, "watched_average_precision": average, "watched_dice": dice}


def continued(stored: Any) -> Net:
    """Give the network with fitted numbers, its normalisations fixed as they were folded in."""
    net = Net()
    with torch.no_grad():
        for name, block in net.blocks.items():
            block.conv.weight.copy_(torch.from_numpy(stored[f"{name}_weights"].astype(np.float32)))
            block.norm.bias.copy_(torch.from_numpy(stored[f"{name}_bias"]))
            block.norm.running_var.fill_(1.0 - block.norm.eps)
        for name, mix in net.mixes.items():
            mix.weight.copy_(torch.from_numpy(stored[f"{name}_weights"].astype(np.float32))[:, :, None, None, None])
            mix.bias.copy_(torch.from_numpy(stored[f"{name}_bias"]))
    return net


def fit(folder: Path, out: Path, minutes: float, start_from: Path | None = None) -> dict[str, Any]:
    """Fit on the examples of a folder, from fitted numbers on or anew, and write the network."""
    torch.manual_seed(1)
    rng = np.random.default_rng(1)
    paths = sorted(folder.glob("*.npz"))
    seen = [_load(p) for n, p in enumerate(paths) if n % WATCHED_EVERY != 3]
    unseen = [_load(p) for n, p in enumerate(paths) if n % WATCHED_EVERY == 3]
    if not unseen:
        raise PlannerError(
            f"There are only {len(paths)} examples: nothing is left to watch.", "Simulate more with --mouths."
        )
    again = start_from is not None
    net = continued(np.load(start_from)) if start_from is not None else Net()
    net = net.to(DEVICE, memory_format=torch.channels_last_3d)  # type: ignore[call-overload]
    before = watched(net, unseen) if again else {}
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(1.0 - 1.0 / AVERAGED_OVER), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    rate, batch, warm = (RATE_CONTINUED, BATCH_CONTINUED, 20) if again else (RATE, BATCH, 200)
    start, step, losses = time.perf_counter(), 0, []
    for channels, *truths in _batches(seen, rng, batch):
        spent = (time.perf_counter() - start) / (60.0 * minutes)
        if spent >= 1.0:
            break
        step += 1
        net.train(not again)
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, step / warm) * (0.49 * (1.0 + np.cos(np.pi * spent)) + 0.02)
        with torch.autocast(DEVICE, dtype=torch.bfloat16, enabled=DEVICE == "cuda"):
            said = net(channels.contiguous(memory_format=torch.channels_last_3d))
        loss = _loss(said.float(), truths)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        mean.update_parameters(net)
        losses.append(float(loss))
        if step % 50 == 0:
            print(f"step {step}, {spent:.0%}: loss {np.mean(losses[-50:]):.4f}", file=sys.stderr, flush=True)
    kept = mean.module
    result = watched(kept, unseen)
    np.savez_compressed(out, **folded(kept))
    return {
        "fitted_on": len(seen),
        "watched": len(unseen),
        "steps": step,
        "before": before,
        **result,
        "written": str(out),
    }


def folded(net: Net) -> dict[str, Any]:
    """Give the layers with the normalisation in them, in half precision."""
    layers: dict[str, Any] = {}
    net = net.float().eval().cpu()
    for name, block in net.blocks.items():
        scale = block.norm.weight / torch.sqrt(block.norm.running_var + block.norm.eps)
        weights = block.conv.weight * scale[:, None, None, None, None]
        layers[f"{name}_weights"] = weights.detach().numpy().astype(np.float16)
        layers[f"{name}_bias"] = (block.norm.bias - block.norm.running_mean * scale).detach().numpy()
    for name, mix in net.mixes.items():
        layers[f"{name}_weights"] = mix.weight.detach().numpy()[:, :, 0, 0, 0].astype(np.float16)
        layers[f"{name}_bias"] = mix.bias.detach().numpy()
    return layers
