"""Where the parts of a face lie in a picture: a face mesh, or marked points followed through a clip."""
