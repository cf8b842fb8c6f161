"""Training, evaluation and export of the two networks; needs the extra `train`.

Lightning modules and data modules, targets made from page truth, calibration, the evaluation suites
and the writing of ONNX files and their card.
"""
