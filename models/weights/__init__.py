"""The shipped networks: ONNX files, their card and checksums.

The card is written by the evaluation, never by hand; a file whose checksum is wrong is not loaded.
"""
