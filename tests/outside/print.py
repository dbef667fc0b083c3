"""Reads a PDF with pypdf: print.py FILE prints pages, language, size, whether all fonts are embedded, bookmarks, and the text."""

import sys

from pypdf import PdfReader

pdf = PdfReader(sys.argv[1])
embedded = True
for page in pdf.pages:
    for font in page["/Resources"]["/Font"].values():
        for kid in font.get_object()["/DescendantFonts"]:
            embedded = embedded and "/FontFile2" in kid.get_object()["/FontDescriptor"].get_object()
box = pdf.pages[0].mediabox
print("pages", len(pdf.pages))
print("language", pdf.trailer["/Root"]["/Lang"])
print("size", round(float(box.width)), round(float(box.height)))
print("embedded", embedded)
print("bookmarks", len(pdf.outline))
print("title", pdf.metadata.title)
for page in pdf.pages:
    print(page.extract_text())
