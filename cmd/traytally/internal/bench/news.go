package bench

import (
	"cmp"
	"slices"
	"strings"
	"sync"
	"time"
)

// A State is what a picture in the folder waits for or what became of it.
type State string

// The states.
const (
	Waiting   State = "waiting"   // not yet whole, or others come first
	Measuring State = "measuring" // being measured
	Refused   State = "refused"   // cannot be graded
	Copy      State = "copy"      // of a picture that is registered
)

// An Item is a sample on its way from the folder into the register. Graded ones
// are none any more: the register has them.
type Item struct {
	Pictures []string // file names
	State    State
	Since    time.Time
	Reason   string // of Refused and Copy
	Hint     string
	Code     string // the sample's, where it is known
}

// A Next says what is entered with the pictures that come next. The code is for
// one sample, the rest for all until it is changed.
type Next struct{ Code, Lot, Line, Party, Variety string }

// An Ended is a sample that was just graded, refused or changed.
type Ended struct {
	Code    string `json:"code,omitempty"`
	Good    bool   `json:"good"`
	Refused bool   `json:"refused"`
	Changed bool   `json:"changed,omitempty"` // by somebody, in the register
}

// News is what the watching of the folder tells the page, and what the page
// tells the watching. It may be used by several goroutines.
type News struct {
	mu        sync.Mutex
	items     map[string]Item
	next      Next
	last      string // code of the sample graded last
	trouble   string // what keeps everything from being graded; empty: nothing
	listeners map[chan Ended]bool
}

// NewNews returns news of nothing.
func NewNews() *News {
	return &News{items: map[string]Item{}, listeners: map[chan Ended]bool{}}
}

func nameOf(pictures []string) string { return strings.Join(pictures, "\x00") }

// Put tells the state of an item, in place of what was told of its pictures.
func (n *News) Put(it Item) {
	n.mu.Lock()
	defer n.mu.Unlock()
	key := nameOf(it.Pictures)
	if before, ok := n.items[key]; ok && before.State == it.State && before.Reason == it.Reason {
		return
	}
	it.Since = time.Now()
	n.items[key] = it
	n.tell(Ended{Refused: it.State == Refused})
}

// Drop tells that pictures are no item any more: gone, or registered.
func (n *News) Drop(pictures []string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if _, ok := n.items[nameOf(pictures)]; ok {
		delete(n.items, nameOf(pictures))
		n.tell(Ended{})
	}
}

// Graded tells that pictures became the sample with this code; good where it
// keeps what it was judged by.
func (n *News) Graded(pictures []string, code string, good bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.items, nameOf(pictures))
	n.last = code
	n.tell(Ended{Code: code, Good: good})
}

// Changed tells that a sample in the register changed.
func (n *News) Changed(code string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.tell(Ended{Code: code, Good: true, Changed: true})
}

// Trouble tells what keeps everything from being graded, or with "" that
// nothing does any more. It reports whether that is new.
func (n *News) Trouble(text string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.trouble == text {
		return false
	}
	n.trouble = text
	n.tell(Ended{})
	return true
}

// SetNext says what is entered with the pictures that come next.
func (n *News) SetNext(next Next) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.next = next
	n.tell(Ended{})
}

// Take returns what is to be entered with a picture that has just come, and
// uses up its code.
func (n *News) Take() Next {
	n.mu.Lock()
	defer n.mu.Unlock()
	next := n.next
	n.next.Code = ""
	if next.Code != "" {
		n.tell(Ended{})
	}
	return next
}

// state returns all that there is to be told, refused pictures first and then
// in the order in which they came.
func (n *News) state() (items []Item, next Next, last, trouble string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, it := range n.items {
		items = append(items, it)
	}
	rank := func(it Item) int {
		if it.State == Refused {
			return 0
		}
		return 1
	}
	slices.SortFunc(items, func(a, b Item) int {
		return cmp.Or(rank(a)-rank(b), a.Since.Compare(b.Since), strings.Compare(nameOf(a.Pictures), nameOf(b.Pictures)))
	})
	return items, n.next, n.last, n.trouble
}

// tell wakes every listener. One that has not yet read what was told before
// misses nothing but the sound: it asks for all anew.
func (n *News) tell(e Ended) {
	for l := range n.listeners {
		select {
		case l <- e:
		default:
		}
	}
}

// listen returns a channel of what ends, and how to stop listening.
func (n *News) listen() (<-chan Ended, func()) {
	c := make(chan Ended, 64)
	n.mu.Lock()
	defer n.mu.Unlock()
	n.listeners[c] = true
	return c, func() {
		n.mu.Lock()
		defer n.mu.Unlock()
		delete(n.listeners, c)
	}
}
