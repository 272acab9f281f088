"""Makes the reading's three small models again: voxels that are tooth, objects that are teeth, pieces of one tooth.

``python -m benchmarks.training --work DIR`` goes the whole way from invented specimens to ONNX files; see `README.md`
of the benches. Nothing in ``src`` is touched unless ``--install`` is given.
"""
