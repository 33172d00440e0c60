"""Solids, meshes, rays and voxels."""
