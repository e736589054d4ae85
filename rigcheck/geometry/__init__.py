"""Arrays in, arrays out: projection, epipolar geometry, bundle adjustment, harm on the face.

No OpenCV here, so that OpenCV stays an independent oracle. Angles are radians, lengths mm, pixels px.
"""
