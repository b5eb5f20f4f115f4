"""How keyid's two networks are trained: on photos with exact truth, on path-traced ones and on scenes of our own maker.

``train`` trains the one that tells what a straightened blade shows, from ``strips`` (and ``traced`` ones),
``train_keys`` the one that marks the key on the table, from ``views``.  They need the extra ``[train]``.  Every photo
of a folder is a JPEG beside a JSON of the same name, which tells the camera, the key's pose, its outline and the plan
of its face.
"""
