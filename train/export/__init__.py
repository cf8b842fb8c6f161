"""From torch to ONNX, in floats and in integers."""
