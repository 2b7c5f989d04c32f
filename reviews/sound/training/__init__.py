"""How `listener.onnx` is made: invented music, on sampled and invented pianos, through rooms and phones, into the net.

Nothing here runs in the product. `requirements.txt` beside this file names what it needs beyond it; `make
train-listener` says the whole way from nothing; LISTENER.md tells what came out.

`music` invents performances, `sampled` and `invented` are the pianos, `planning` decides what sounds when, `mixing`
makes the sound as a phone would store it, `network` is the net, `train`, `export` and `measure` are programs.
"""
