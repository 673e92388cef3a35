"""The colours of the screens, dark and light: each has one meaning, and nothing is told by colour alone.

Accent is what to do now, and the keys; red is what can hurt; everything else is text, dimmed text and rules.
"""

from __future__ import annotations

from textual.theme import Theme

DARK = Theme(
    name="workshop-dark",
    dark=True,
    background="#101418",
    surface="#181d22",
    panel="#252c33",
    boost="#2c353d",
    foreground="#d8dcdf",
    primary="#7da3b8",
    secondary="#5d7f92",
    accent="#f0b83f",
    warning="#ff9f5a",
    error="#ff7566",
    success="#86bf8f",
    variables={
        "block-cursor-background": "#33414b",
        "block-cursor-foreground": "#ffffff",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#252c33",
        "button-focus-text-style": "bold",
        "footer-background": "#252c33",
        "footer-key-foreground": "#f0b83f",
        "border": "#7da3b8",
        "border-blurred": "#33414b",
    },
)
LIGHT = Theme(
    name="workshop-light",
    dark=False,
    background="#f8f6f1",
    surface="#f0ede5",
    panel="#dfdace",
    boost="#e7e3d8",
    foreground="#1c2125",
    primary="#2d5c75",
    secondary="#4c7489",
    accent="#7d5000",
    warning="#95460a",
    error="#b0251c",
    success="#2c6b38",
    variables={
        "block-cursor-background": "#cfd9df",
        "block-cursor-foreground": "#0d1114",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#dfdace",
        "button-focus-text-style": "bold",
        "footer-background": "#dfdace",
        "footer-key-foreground": "#7d5000",
        "border": "#2d5c75",
        "border-blurred": "#b9b4a7",
    },
)
