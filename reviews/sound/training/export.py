"""Write trained weights as the ONNX file that the product runs, and check that both give the same answers.

    python -m reviews.sound.training.export --weights OUT/last.pt --model reviews/sound/listener.onnx

The running average of the weights is taken. Numbers of clips and frames stay open; inputs are the three spectra of
`listener.spectra`, the output is (clips, frames, 88, 4).
"""

import argparse
from pathlib import Path

import numpy as np
import onnxruntime
import torch

from reviews.sound.listener import BINS
from reviews.sound.training import network

NAMES = ["long", "middle", "short"]
FRAMES = 300  # of the example that is traced; any number may be given later
MOST_APART = 2e-3  # of an answer, between the two programs; logits reach 20


def main() -> None:
    """Export as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--model", type=Path, required=True)
    options = parser.parse_args()
    net = network.Net()
    net.load_state_dict(torch.load(options.weights, map_location="cpu", weights_only=True)["average"])
    net.eval()
    random = np.random.default_rng(1)
    given = [torch.from_numpy(random.random((1, FRAMES, bins), np.float32) ** 8) for bins in BINS]
    torch.onnx.export(
        net,
        tuple(given),
        str(options.model),
        input_names=NAMES,
        output_names=["answer"],
        dynamic_axes={name: {0: "clips", 1: "frames"} for name in [*NAMES, "answer"]},
        opset_version=17,
        dynamo=False,
    )
    session = onnxruntime.InferenceSession(str(options.model), providers=["CPUExecutionProvider"])
    again = [each[:, : FRAMES // 2] for each in given]
    with torch.no_grad():
        wanted = net(*again).numpy()
    found = session.run(None, {name: each.numpy() for name, each in zip(NAMES, again, strict=True)})[0]
    apart = float(np.max(np.abs(found - wanted)))
    print(f"{options.model.stat().st_size} bytes, answers at most {apart:.2g} apart")  # noqa: T201
    if apart > MOST_APART:
        raise SystemExit("The exported net gives other answers.")


if __name__ == "__main__":
    main()
