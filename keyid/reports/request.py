"""The message that tells a customer how to photograph a key."""

MESSAGE = """\
Please photograph your key like this:
1. Lay the key flat on a plain sheet of paper. Take it off the ring.
2. Lay a bank card right beside it, face down so that no number shows. Both flat, not touching.
3. Hold the phone level, straight above, about 25 cm (a hand and a half) away, so that key and card fill the picture.
4. Good daylight, no flash. Tap on the key so that it is sharp, and hold still.
5. Take one photo, turn the key over, and take another.
6. Send both as they are, as files ("document", not "photo" or "picture": those are shrunk until they are too coarse).
   Do not crop them, and send no screenshot.
7. Send them only to me, and delete them afterwards: a photo of a key is as good as the key."""
