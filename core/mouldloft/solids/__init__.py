"""The mould as closed meshes."""
