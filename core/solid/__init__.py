"""The only user of manifold3d: closed meshes in, checked solids out."""
