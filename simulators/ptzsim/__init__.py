"""The simulated camera: wire side, head physics and faults. The daemon never imports it."""
