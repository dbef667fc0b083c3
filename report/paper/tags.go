package paper

import (
	"bytes"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf16"
)

// The library that writes the PDF knows no tags. So what is drawn is put between marks here, and the tree of what the marks mean (ISO
// 32000-1, 14.7 and 14.8) is added to the finished file as an update (7.5.6): readers that speak or reflow a page follow it.

// element is a node of the tree.
type element struct {
	kind   string // standard structure type, such as P or H1
	about  string // of a Figure what is said in its place, of a TH its scope: Row or Column
	parent *element
	kids   []*element
	marks  []mark // what was drawn of it; an element has kids or marks
}

// mark is a piece of a page.
type mark struct{ page, id int }

// tags are the tree of a document that is being written.
type tags struct {
	root  element
	in    *element           // what new elements come into
	now   *element           // what is being drawn
	pages map[int][]*element // by page, whose the marks are, in their order
}

// as draws something as one element of a kind; what is drawn within it belongs to it.
func (d *doc) as(kind, about string, draw func()) {
	if d.tags.now != nil {
		draw()
		return
	}
	e := &element{kind: kind, about: about, parent: d.tags.in}
	d.tags.in.kids = append(d.tags.in.kids, e)
	d.tags.now = e
	d.resume()
	draw()
	d.pause()
	d.tags.now = nil
}

// within gathers the elements that are drawn in it, such as the rows of a table.
func (d *doc) within(kind string, draw func()) {
	e := &element{kind: kind, parent: d.tags.in}
	d.tags.in.kids = append(d.tags.in.kids, e)
	d.tags.in = e
	draw()
	d.tags.in = e.parent
}

// resume and pause begin and end a mark; a page that ends within an element has one of its own.
func (d *doc) resume() {
	if e := d.tags.now; e != nil {
		m := mark{d.PageNo(), len(d.tags.pages[d.PageNo()])}
		d.tags.pages[m.page] = append(d.tags.pages[m.page], e)
		e.marks = append(e.marks, m)
		d.RawWriteStr(fmt.Sprintf("/%s <</MCID %d>> BDC", e.kind, m.id))
	}
}

func (d *doc) pause() {
	if d.tags.now != nil {
		d.RawWriteStr("EMC")
	}
}

// beside draws what is no part of the text, such as the foot of a page.
func (d *doc) beside(draw func()) {
	d.RawWriteStr("/Artifact BMC")
	draw()
	d.RawWriteStr("EMC")
}

// pageObject is the number of a page's object: the library writes pages as 3, 5, 7 and so on, each before what is on it.
func pageObject(page int) int { return 2*page + 1 }

var (
	trailerForm = regexp.MustCompile(`(?s)trailer\n<<\n/Size (\d+)\n/Root (\d+) 0 R\n/Info (\d+) 0 R\n>>\nstartxref\n(\d+)\n%%EOF\n$`)
	objectForm  = regexp.MustCompile(`(?s)^(\d+) 0 obj\n(.*?)\nendobj\n`)
)

// update writes a finished document and adds the tree to it.
func (t *tags) update(w io.Writer, raw []byte) error {
	end := trailerForm.FindSubmatch(raw)
	if end == nil {
		return fmt.Errorf("the PDF ends otherwise than its tags need")
	}
	var size, catalog, info int
	u := appendix{raw: raw, at: map[int]int{}, numbers: map[*element]int{}}
	fmt.Sscan(fmt.Sprintf("%s %s %s %s", end[1], end[2], end[3], end[4]), &size, &catalog, &info, &u.table)
	u.Write(raw)
	u.next = size
	u.number(&t.root)
	tree, parents := u.next, u.next+1
	u.next += 2
	if err := u.extend(catalog, fmt.Sprintf("/Version /1.7 /MarkInfo <</Marked true>> /StructTreeRoot %d 0 R /ViewerPreferences <</DisplayDocTitle true>>", tree)); err != nil {
		return err
	}
	last := 0
	for page := range t.pages {
		last = max(last, page)
	}
	var nums strings.Builder
	for page := 1; page <= last; page++ {
		if err := u.extend(pageObject(page), fmt.Sprintf("/StructParents %d /Tabs /S", page-1)); err != nil {
			return err
		}
		fmt.Fprintf(&nums, "%d [", page-1)
		for _, e := range t.pages[page] {
			fmt.Fprintf(&nums, "%d 0 R ", u.numbers[e])
		}
		nums.WriteString("]\n")
	}
	u.write(&t.root, tree)
	u.put(tree, fmt.Sprintf("<</Type /StructTreeRoot /K %d 0 R /ParentTree %d 0 R /ParentTreeNextKey %d>>", u.numbers[&t.root], parents, last))
	u.put(parents, "<</Nums ["+nums.String()+"]>>")
	u.close(catalog, info)
	_, err := w.Write(u.Bytes())
	return err
}

// appendix is a finished document to which objects are added.
type appendix struct {
	bytes.Buffer
	raw     []byte
	table   int         // where the document's table of objects is
	at      map[int]int // where the new objects are
	next    int         // the first free number of an object
	numbers map[*element]int
}

func (u *appendix) put(n int, text string) {
	u.at[n] = u.Len()
	fmt.Fprintf(u, "%d 0 obj\n%s\nendobj\n", n, text)
}

// extend writes an object of the document anew with more in its dictionary.
func (u *appendix) extend(n int, more string) error {
	i := 0 // where it is: the table of objects has lines of 20 bytes
	if table := bytes.SplitN(u.raw[u.table:], []byte("\n"), 3); len(table) == 3 && len(table[2]) > 20*n+10 {
		i, _ = strconv.Atoi(string(table[2][20*n : 20*n+10]))
	}
	m := objectForm.FindSubmatch(u.raw[min(i, len(u.raw)):])
	if m == nil || string(m[1]) != fmt.Sprint(n) || !bytes.HasSuffix(m[2], []byte(">>")) {
		return fmt.Errorf("object %d of the PDF is no dictionary", n)
	}
	u.put(n, string(bytes.TrimSuffix(m[2], []byte(">>")))+more+">>")
	return nil
}

// number gives an element and those in it the next numbers of objects; write writes them.
func (u *appendix) number(e *element) {
	u.numbers[e] = u.next
	u.next++
	for _, k := range e.kids {
		u.number(k)
	}
}

func (u *appendix) write(e *element, parent int) {
	u.put(u.numbers[e], e.object(parent, u.numbers))
	for _, k := range e.kids {
		u.write(k, u.numbers[e])
	}
}

// close writes the table of the new objects, and the trailer.
func (u *appendix) close(catalog, info int) {
	start := u.Len()
	u.WriteString("xref\n")
	for n := range u.next {
		if offset, ok := u.at[n]; ok {
			fmt.Fprintf(u, "%d 1\n%010d 00000 n \n", n, offset)
		}
	}
	fmt.Fprintf(u, "trailer\n<<\n/Size %d\n/Root %d 0 R\n/Info %d 0 R\n/Prev %d\n>>\nstartxref\n%d\n%%%%EOF\n", u.next, catalog, info, u.table, start)
}

// object writes an element.
func (e *element) object(parent int, numbers map[*element]int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "<</S /%s /P %d 0 R", e.kind, parent)
	switch {
	case e.kind == "TH":
		fmt.Fprintf(&b, " /A <</O /Table /Scope /%s>>", e.about)
	case e.about != "":
		b.WriteString(" /Alt <FEFF")
		for _, u := range utf16.Encode([]rune(e.about)) {
			fmt.Fprintf(&b, "%04X", u)
		}
		b.WriteString(">")
	}
	if len(e.marks) > 0 {
		fmt.Fprintf(&b, " /Pg %d 0 R", pageObject(e.marks[0].page))
	}
	b.WriteString(" /K [")
	for _, k := range e.kids {
		fmt.Fprintf(&b, "%d 0 R ", numbers[k])
	}
	for _, m := range e.marks {
		if m.page == e.marks[0].page {
			fmt.Fprintf(&b, "%d ", m.id)
		} else {
			fmt.Fprintf(&b, "<</Type /MCR /Pg %d 0 R /MCID %d>> ", pageObject(m.page), m.id)
		}
	}
	b.WriteString("]>>")
	return b.String()
}
