"""Pages and fragments, one module a screen. A view parses, calls one service and answers."""
