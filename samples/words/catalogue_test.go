package words

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/language"
)

var update = flag.Bool("update", false, "bring the keys of the catalogue up to date; new ones are empty")

// speaking are the directories whose sources say words of the catalogue.
var speaking = []string{"..", "../../cmd/traytally"}

// used returns every key that the sources call, with a place where it is.
func used(t *testing.T) map[string]string {
	t.Helper()
	keys := map[string]string{}
	for _, key := range stored() {
		keys[key] = "stored.txt"
	}
	for _, dir := range speaking {
		require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() && d.Name() == "testdata" {
				return cmpOr(err, fs.SkipDir)
			}
			if d.IsDir() || strings.HasSuffix(path, "_test.go") {
				return nil
			}
			var find func([]byte) ([]string, error)
			switch filepath.Ext(path) {
			case ".go":
				find = keysOfGo
			case ".tmpl", ".html":
				find = keysOfTemplate
			case ".js":
				find = keysOfScript
			default:
				return nil
			}
			src, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			found, err := find(src)
			for _, k := range found {
				keys[k] = path
			}
			if err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			return nil
		}))
	}
	return keys
}

func cmpOr(err, other error) error {
	if err != nil {
		return err
	}
	return other
}

// keysOfGo finds w.T("…") and words.Key("…").
func keysOfGo(src []byte) (keys []string, err error) {
	file, err := parser.ParseFile(token.NewFileSet(), "", src, 0)
	if err != nil {
		return nil, err
	}
	ast.Inspect(file, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok || len(call.Args) == 0 {
			return true
		}
		name := ""
		switch f := call.Fun.(type) {
		case *ast.SelectorExpr:
			name = f.Sel.Name
		case *ast.Ident:
			name = f.Name
		}
		if name == "T" || name == "Key" {
			if v := constantText(call.Args[0]); v != "" {
				keys = append(keys, v)
			}
		}
		return true
	})
	return keys, nil
}

// constantText is the value of a text written out, in one piece or several.
func constantText(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.BasicLit:
		if v := constant.MakeFromLiteral(e.Value, e.Kind, 0); v.Kind() == constant.String {
			return constant.StringVal(v)
		}
	case *ast.BinaryExpr:
		if a, b := constantText(e.X), constantText(e.Y); a != "" && b != "" {
			return a + b
		}
	}
	return ""
}

// keysOfTemplate finds {{t "…"}} and {{.T "…"}}, wherever in an expression, and
// what the scripts in the page say.
func keysOfTemplate(src []byte) (keys []string, err error) {
	trees := map[string]*parse.Tree{}
	tree := parse.New("page")
	tree.Mode = parse.SkipFuncCheck
	if _, err := tree.Parse(string(src), "", "", trees); err != nil {
		return nil, err
	}
	var walk func(n parse.Node)
	command := func(c *parse.CommandNode) {
		name := ""
		switch f := c.Args[0].(type) {
		case *parse.IdentifierNode:
			name = f.Ident
		case *parse.FieldNode:
			name = f.Ident[len(f.Ident)-1]
		case *parse.VariableNode:
			name = f.Ident[len(f.Ident)-1]
		}
		for _, a := range c.Args {
			walk(a)
		}
		if name == "t" || name == "T" {
			if s, ok := second(c.Args).(*parse.StringNode); ok {
				keys = append(keys, s.Text)
			}
		}
	}
	walk = func(n parse.Node) {
		switch n := n.(type) {
		case *parse.ListNode:
			if n != nil {
				for _, m := range n.Nodes {
					walk(m)
				}
			}
		case *parse.ActionNode:
			walk(n.Pipe)
		case *parse.PipeNode:
			if n != nil {
				for _, c := range n.Cmds {
					command(c)
				}
			}
		case *parse.IfNode:
			walk(n.Pipe)
			walk(n.List)
			walk(n.ElseList)
		case *parse.RangeNode:
			walk(n.Pipe)
			walk(n.List)
			walk(n.ElseList)
		case *parse.WithNode:
			walk(n.Pipe)
			walk(n.List)
			walk(n.ElseList)
		case *parse.TemplateNode:
			walk(n.Pipe)
		}
	}
	for _, tr := range trees {
		walk(tr.Root)
	}
	more, err := keysOfScript(src)
	return append(keys, more...), err
}

func second(args []parse.Node) parse.Node {
	if len(args) < 2 {
		return nil
	}
	return args[1]
}

var scriptCall = regexp.MustCompile(`(?:^|[^\w$])t\(\s*("(?:[^"\\]|\\.)*")`)

// keysOfScript finds t("…"), in double quotes.
func keysOfScript(src []byte) (keys []string, err error) {
	for _, m := range scriptCall.FindAllSubmatch(src, -1) {
		k, err := strconv.Unquote(string(m[1]))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m[1], err)
		}
		keys = append(keys, k)
	}
	return keys, nil
}

var verb = regexp.MustCompile(`%([-+# 0]*)(?:\[(\d+)\])?(\d*(?:\.\d+)?)([a-zA-Z%]?)`)

// verbsOf returns the verb by which each value is printed, in the order of the
// values: "[d s]".
func verbsOf(text string) (string, error) {
	byValue := map[int]string{}
	next := 1
	for _, m := range verb.FindAllStringSubmatch(text, -1) {
		if m[4] == "%" && m[1]+m[2]+m[3] == "" {
			continue
		}
		if !strings.Contains("sdf", m[4]) || m[4] == "" || strings.Contains(m[1], " ") {
			return "", fmt.Errorf("a percent sign is written %%%%, here it is %q", m[0])
		}
		if m[2] != "" {
			next, _ = strconv.Atoi(m[2])
		}
		v := m[1] + m[3] + m[4]
		if old := byValue[next]; old != "" && old != v {
			return "", fmt.Errorf("value %d is printed by %s and by %s", next, old, v)
		}
		byValue[next] = v
		next++
	}
	var out []string
	for i := 1; i <= len(byValue); i++ {
		if byValue[i] == "" {
			return "", fmt.Errorf("value %d is left out", i)
		}
		out = append(out, byValue[i])
	}
	return fmt.Sprint(out), nil
}

// categoriesOf lists the plural categories that whole numbers have in a language.
func categoriesOf(tag language.Tag) []string {
	seen := map[string]bool{}
	for n := range 1200 { // categories repeat with hundreds: CLDR's rules look at n mod 100
		seen[category(tag, n)] = true
	}
	return slices.Sorted(maps.Keys(seen))
}

// TestCatalogue holds every language to the keys that the sources call. With
// -update it adds those that are missing, with an empty text, and takes out those
// that nobody calls.
func TestCatalogue(t *testing.T) {
	keys := used(t)
	require.Contains(t, keys, "translation not yet checked by a native speaker")
	counted := all()[0].messages // English has forms only where a number counts
	for key, where := range keys {
		_, err := verbsOf(key)
		assert.NoError(t, err, "%s: %q", where, key)
	}
	for _, w := range all() {
		english := w.Tag() == "en"
		if *update {
			bring(t, w, keys, counted)
		}
		for key := range w.messages {
			assert.Contains(t, keys, key, "%s.json: nobody calls it", w.Tag())
		}
		for key, where := range keys {
			f, there := w.messages[key]
			if english && !there {
				continue
			}
			if !assert.True(t, there, "%s.json lacks %q of %s", w.Tag(), key, where) {
				continue
			}
			if _, plural := counted[key]; plural {
				assert.ElementsMatch(t, categoriesOf(w.tag), slices.Collect(maps.Keys(f)), "%s.json: forms of %q", w.Tag(), key)
			} else {
				assert.Equal(t, []string{"other"}, slices.Collect(maps.Keys(f)), "%s.json: %q counts nothing in English", w.Tag(), key)
			}
			want, _ := verbsOf(key)
			for category, text := range f {
				got, err := verbsOf(text)
				assert.NoError(t, err, "%s.json: %q", w.Tag(), key)
				assert.Equal(t, want, got, "%s.json, %s: verbs of %q", w.Tag(), category, key)
				assert.NotEmpty(t, strings.TrimSpace(text), "%s.json, %s: %q has no words yet", w.Tag(), category, key)
			}
		}
	}
}

// bring writes a language's file with the given keys.
func bring(t *testing.T, w *Words, keys map[string]string, counted map[string]forms) {
	t.Helper()
	now := map[string]forms{}
	for key := range keys {
		f := w.messages[key]
		_, plural := counted[key]
		switch {
		case f == nil && w.Tag() == "en":
			continue
		case plural:
			old := f
			f = forms{}
			for _, c := range categoriesOf(w.tag) {
				f[c] = old[c]
			}
		case f == nil:
			f = forms{"other": ""}
		}
		now[key] = f
	}
	w.messages = now
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	require.NoError(t, e.Encode(now))
	require.NoError(t, os.WriteFile(w.Tag()+".json", b.Bytes(), 0o666))
}

func TestKeysAreFound(t *testing.T) {
	keys, err := keysOfGo([]byte("package p\nfunc f(w W) { w.T(\"a %d\", 1); v.w.T(\"b \" + `c`); words.Key(\"d\"); w.T(x); t.Fatal(\"no\") }"))
	require.NoError(t, err)
	assert.Equal(t, []string{"a %d", "b c", "d"}, keys)
	keys, err = keysOfTemplate([]byte(`{{define "x"}}{{t "a"}}{{end}}{{if eq (t "b") .C}}{{$.W.T "c %s" (t "d")}}{{else}}{{.X | printf "%s" (t "e")}}{{end}}<script>x(t("f \"g\"")); at("no");</script>`))
	require.NoError(t, err)
	assert.ElementsMatch(t, []string{"a", "b", "c %s", "d", "e", `f "g"`}, keys)
}

func TestVerbs(t *testing.T) {
	for text, want := range map[string]string{
		"": "[]", "95 %% interval": "[]", "%d of %s": "[d s]", "%[2]s, %[1]d": "[d s]", "%[1]d, %[1]d": "[d]", "%.1f %%": "[.1f]",
	} {
		got, err := verbsOf(text)
		assert.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
	for _, bad := range []string{"95 %", "95 % interval", "95 % for", "%[2]s", "%x", "%[1]d %[1]s"} {
		_, err := verbsOf(bad)
		assert.Error(t, err, bad)
	}
}
