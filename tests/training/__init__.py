"""How the network of ``keyid/segmentation.py`` is trained: on photos with exact truth, and on scenes of our own maker.

``python -m tests.training.train --photos FOLDER --state net.pt --out keyid/segmentation.onnx`` (needs PyTorch and onnx,
the extra ``[train]``).  Every photo of a folder is a JPEG beside a JSON of the same name, which tells the camera, the
key's pose, its outline and the plan of its face (see ``strips``).
"""
