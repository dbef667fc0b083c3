"""Reads a PDF with pypdf: print.py FILE prints pages, language, size, whether all fonts are embedded, bookmarks, tags, and the text."""

import sys
from collections import Counter

from pypdf import PdfReader
from pypdf.generic import ContentStream

pdf = PdfReader(sys.argv[1])
embedded = True
for page in pdf.pages:
    for font in page["/Resources"]["/Font"].values():
        for kid in font.get_object()["/DescendantFonts"]:
            embedded = embedded and "/FontFile2" in kid.get_object()["/FontDescriptor"].get_object()


def elements(node, parent):
    """Every element of the tree of structure as (kind, marks by page); a child names its parent."""
    node = node.get_object()
    assert node["/P"].get_object() == parent, "an element has another parent than the one that holds it"
    marks = {}
    for kid in node["/K"]:
        page = node.get("/Pg")
        if not isinstance(kid, int):
            kid = kid.get_object()
            if kid.get("/Type") != "/MCR":
                yield from elements(kid, node)
                continue
            page, kid = kid["/Pg"], kid["/MCID"]
        marks.setdefault(page.get_object()["/StructParents"], []).append(int(kid))
    if node["/S"] == "/Figure":
        assert node["/Alt"].strip(), "a picture without words for it"
    yield node["/S"], marks


def tagged():
    """ISO 32000-1, 14.7 and 14.8: all that is painted lies within a mark or is an artifact; each mark belongs to one element, which the tree of parents
    gives too. The kinds of elements are returned, and how many of each there are."""
    root = pdf.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] is True or str(root["/MarkInfo"]["/Marked"]) == "True"
    tree = root["/StructTreeRoot"].get_object()
    kinds, owned = Counter(), {}
    for kind, marks in elements(tree["/K"], tree):
        kinds[kind] += 1
        for page, ids in marks.items():
            for n in ids:
                assert (page, n) not in owned, "a mark of two elements"
                owned[page, n] = kind
    nums = tree["/ParentTree"].get_object()["/Nums"]
    parents = {int(nums[i]): nums[i + 1] for i in range(0, len(nums), 2)}
    for page in pdf.pages:
        number, stack, seen = int(page["/StructParents"]), [], 0
        for operands, operator in ContentStream(page["/Contents"].get_object(), pdf).operations:
            if operator in (b"BDC", b"BMC"):
                assert not stack, "a mark within a mark"
                stack.append(operands[0])
                if operator == b"BDC":
                    assert operands[1]["/MCID"] == seen and owned[number, seen] == operands[0] == parents[number][seen].get_object()["/S"]
                    seen += 1
            elif operator == b"EMC":
                stack.pop()
            elif operator in (b"Tj", b"TJ", b"S", b"s", b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"Do", b"sh"):
                assert stack, f"{operator} {operands} is painted without a mark"
        assert not stack and seen == len(parents[number])
    return kinds


box = pdf.pages[0].mediabox
print("pages", len(pdf.pages))
print("language", pdf.trailer["/Root"]["/Lang"])
print("size", round(float(box.width)), round(float(box.height)))
print("embedded", embedded)
print("bookmarks", len(pdf.outline))
print("title", pdf.metadata.title)
print("tagged", " ".join(f"{k[1:]}:{n}" for k, n in sorted(tagged().items())))
for page in pdf.pages:
    print(page.extract_text())
