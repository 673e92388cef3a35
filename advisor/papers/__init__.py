"""Setting pages: documents, charts, plots and drawings of fault trees; it knows no case.

Comes in: words, numbers and knowledge.
Goes out: Markdown, HTML to print on A4, and SVG without colour.
Decision: a paper is data first and is rendered twice; text is escaped in one place, and pages load nothing.
"""
