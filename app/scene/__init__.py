"""The 3D view: the only part of the window that talks to VTK, imported after the window is up."""
