package standards

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"traytally/vision/kernel/fault"
)

//go:embed *.yaml
var embedded embed.FS

// MaxFileBytes caps a contract file or a sample sheet: the longest embedded
// edition is well under a tenth of it.
const MaxFileBytes = 1 << 20

// A Problem is one thing wrong with a standard or contract file, at a place.
type Problem struct {
	File      string // as the user named it
	Line, Col int    // from 1; 0 where the file as a whole is meant
	Message   string
	Hint      string // what to write instead; may be empty
}

func (p Problem) String() string {
	if p.Line == 0 {
		return p.File + ": " + p.Message
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Col, p.Message)
}

// Problems is what keeps one file from being used, in file order.
type Problems []Problem

// Error returns the first problem and how many more there are.
func (ps Problems) Error() string {
	if len(ps) == 0 {
		return "no problem"
	}
	if n := len(ps) - 1; n > 0 {
		return fmt.Sprintf("%s (and %d more)", ps[0], n)
	}
	return ps[0].String()
}

// Hint returns the first hint there is.
func (ps Problems) Hint() string {
	for _, p := range ps {
		if p.Hint != "" {
			return p.Hint
		}
	}
	return ""
}

// unknown is about a standard's code that no embedded file has; near are known
// codes that look like it, nearest first.
func unknown(code string, near []string) error {
	hint := "'traytally standards list' shows all; a buyer's own limits go in a file: --contract FILE"
	if len(near) > 0 {
		hint = "did you mean " + strings.Join(near, ", ") + "? 'traytally standards list' shows all"
	}
	return &fault.Error{Kind: fault.Usage, What: fmt.Sprintf("there is no standard %q", code), Hint: hint}
}

// An Edition is one file with its variants.
type Edition struct {
	File     *File
	Source   []byte // the file as written
	Variants []*Standard
}

var all = sync.OnceValues(func() ([]*Edition, error) {
	entries, err := embedded.ReadDir(".")
	if err != nil {
		return nil, err
	}
	var out []*Edition
	for _, e := range entries {
		data, err := embedded.ReadFile(e.Name())
		if err != nil {
			return nil, err
		}
		ed, problems := Parse(e.Name(), data)
		if ed == nil {
			return nil, problems
		}
		out = append(out, ed)
	}
	return out, nil
})

// Editions returns the embedded editions in file-name order.
func Editions() ([]*Edition, error) { return all() }

// All returns the embedded standards in order of their codes.
func All() ([]*Standard, error) {
	eds, err := Editions()
	if err != nil {
		return nil, err
	}
	var out []*Standard
	for _, ed := range eds {
		out = append(out, ed.Variants...)
	}
	slices.SortFunc(out, func(a, b *Standard) int { return strings.Compare(a.Code, b.Code) })
	return out, nil
}

// Lookup returns the embedded standard with the given code. The error for an
// unknown code is a *fault.Error.
func Lookup(code string) (*Standard, error) {
	known, err := All()
	if err != nil {
		return nil, err
	}
	var codes []string
	for _, s := range known {
		if s.Code == code {
			return s, nil
		}
		codes = append(codes, s.Code)
	}
	return nil, unknown(code, Nearest(code, codes))
}

// LoadContract reads a contract file. Errors are Problems, or those of reading
// the file.
func LoadContract(path string) (*Edition, error) {
	data, err := ReadFile(path)
	if err != nil {
		return nil, err
	}
	ed, problems := Parse(path, data)
	if ed == nil {
		return nil, problems
	}
	return ed, nil
}

// ReadFile reads a file, up to one byte more than MaxFileBytes.
func ReadFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
}

// Parse decodes and checks one file. Unknown and doubled keys are refused.
// With problems the edition is nil.
func Parse(name string, data []byte) (*Edition, Problems) {
	var f File
	tree, problems := decode(name, data, &f)
	if len(problems) > 0 {
		if len(bytes.TrimSpace(data)) == 0 {
			problems[0].Hint = "'traytally standards template' prints one to fill in"
		}
		return nil, problems
	}
	c := checker{name: name, tree: tree, file: &f}
	if c.run(); len(c.problems) > 0 {
		return nil, c.problems
	}
	ed := &Edition{File: &f, Source: data}
	for _, v := range f.Variants {
		ed.Variants = append(ed.Variants, f.variant(v))
	}
	return ed, nil
}

// Decode reads one YAML document into the struct that into points to, as
// strictly as the files of this package: no unknown or doubled key, no anchor,
// no more than 1 MiB. The problem found, if any, carries its line and column.
func Decode(name string, data []byte, into any) Problems {
	_, problems := decode(name, data, into)
	return problems
}

func decode(name string, data []byte, into any) (*ast.File, Problems) {
	fail := func(line, col int, msg, hint string) (*ast.File, Problems) {
		return nil, Problems{{File: name, Line: line, Col: col, Message: msg, Hint: hint}}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return fail(0, 0, "the file is empty", "")
	}
	if bytes.IndexByte(data, 0) >= 0 || len(data) <= MaxFileBytes && !utf8.Valid(data) {
		return fail(0, 0, "not a text file", "save it as UTF-8 text")
	}
	if len(data) > MaxFileBytes {
		return fail(0, 0, "more than 1 MiB", "this is not the kind of file that is wanted here")
	}
	tree, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, Problems{decodeProblem(name, err, nil)}
	}
	if len(tree.Docs) != 1 || tree.Docs[0].Body == nil {
		return fail(0, 0, "not exactly one YAML document", "one file holds one document: remove the lines ---")
	}
	var u unused
	if ast.Walk(&u, tree.Docs[0].Body); u.found != nil {
		p := u.found.GetToken().Position
		return fail(p.Line, p.Column, "anchors and aliases are not used here, nor are tags", "write the plain value out")
	}
	if err := unmarshal(data, into); err != nil {
		return nil, Problems{decodeProblem(name, err, into)}
	}
	return tree, nil
}

// unmarshal decodes strictly. The YAML library panics on some malformed files
// (a bare tag where a list is wanted, in v1.19.2); the user's file is at fault
// then, not the program.
func unmarshal(data []byte, into any) (err error) {
	defer func() {
		if recover() != nil {
			err = errors.New("cannot be read as YAML")
		}
	}()
	return yaml.UnmarshalWithOptions(data, into, yaml.Strict())
}

func (f *File) variant(v Variant) *Standard {
	s := &Standard{File: f, Variant: v}
	for _, x := range f.Factors {
		if x.In(v.Code) {
			s.Factors = append(s.Factors, x)
		}
	}
	return s
}

// An unused finds a node of a kind that these files do not use.
type unused struct{ found ast.Node }

// Visit implements ast.Visitor.
func (u *unused) Visit(n ast.Node) ast.Visitor {
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode:
		u.found = n
	}
	if u.found != nil {
		return nil
	}
	return u
}

// decodeProblem turns the YAML library's error into one line with its place.
func decodeProblem(name string, err error, into any) Problem {
	p := Problem{File: name}
	var ve *valueError
	var ye yaml.Error
	switch {
	case errors.As(err, &ve):
		pos := ve.node.GetToken().Position
		p.Line, p.Col, p.Message = pos.Line, pos.Column, ve.Error()
	case errors.As(err, &ye):
		p.Message = ye.GetMessage()
		if tk := ye.GetToken(); tk != nil {
			p.Line, p.Col = tk.Position.Line, tk.Position.Column
			var unknown *yaml.UnknownFieldError
			var wrongType *yaml.TypeError
			switch {
			case errors.As(err, &wrongType):
				p.Message = fmt.Sprintf("%q stands where %s is wanted", tk.Value, kindName(wrongType.DstType))
			case errors.As(err, &unknown):
				p.Message = fmt.Sprintf("unknown key %q", tk.Value)
				if near := Nearest(tk.Value, keysOf(into)); len(near) > 0 {
					p.Hint = "did you mean " + strings.Join(near, ", ") + "?"
				}
			}
		}
	default:
		p.Message, _, _ = strings.Cut(err.Error(), "\n")
	}
	return p
}

// kindName calls a Go type by what a file must hold for it.
func kindName(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Float64:
		return "a number"
	case reflect.Bool:
		return "true or false"
	case reflect.Slice:
		return "a list"
	case reflect.Map, reflect.Struct:
		return "a block of keys"
	}
	return "text"
}
