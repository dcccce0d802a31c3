package main

import (
	"cmp"
	"fmt"
	"image/color"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"traytally/grading"
	"traytally/vision"
	"traytally/vision/kernel"
)

// galleryGroups are the groups of the gallery, in its order.
var galleryGroups = []struct {
	flag   kernel.Flag
	letter string
	colour color.NRGBA
	dashed bool
}{
	{kernel.Odd, "o", vision.ReddishPurple, true}, // first: the clerk tells the kind
	{kernel.Chalky, "c", vision.SkyBlue, false},
	{kernel.Yellow, "y", vision.Yellow, false},
	{kernel.Red, "r", vision.Vermillion, false},
	{kernel.RedStreaked, "s", vision.ReddishPurple, false},
	{kernel.Damaged, "d", vision.Orange, false},
	{kernel.Paddy, "p", vision.Orange, true},
	{kernel.Foreign, "X", vision.BluishGreen, true},
}

// What a gallery shows at most of one class, and of sound kernels to compare
// with.
const (
	galleryMost  = 50
	gallerySound = 5
)

// crops are the pictures of kernels by their index in the tray.
type crops map[int]*vision.Crop

// cropsOf cuts out of an open picture what a gallery may show of it.
func cropsOf(p *vision.Picture, t *kernel.Tray, profile grading.Profile) (crops, error) {
	flagged, _ := grading.Flag([]kernel.Tray{*t}, profile)
	var which []int
	shown := map[kernel.Flag]int{}
	for i := range flagged[0].Kernels {
		wanted := false
		for _, f := range flagged[0].Kernels[i].Flags {
			if shown[f]++; shown[f] <= galleryMost {
				wanted = true
			}
		}
		if wanted {
			which = append(which, i)
		}
	}
	which = append(which, soundest(&flagged[0])...)
	list, err := vision.NewCrops(p, t, which)
	if err != nil {
		return nil, err
	}
	out := crops{}
	for i, n := range which {
		out[n] = list[i]
	}
	return out, nil
}

// soundest returns the whole kernels without a flag that are nearest to the
// usual one.
func soundest(t *kernel.Tray) []int {
	var of []int
	for i := range t.Kernels {
		k := &t.Kernels[i]
		if len(k.Flags) == 0 && k.Surface.Pixels > 0 && k.ChalkShare == 0 && k.LengthPx > 0.9*t.Look.LengthPx {
			of = append(of, i)
		}
	}
	slices.SortStableFunc(of, func(a, b int) int {
		return cmp.Compare(t.Kernels[a].Surface.DeltaE00, t.Kernels[b].Surface.DeltaE00)
	})
	return of[:min(len(of), gallerySound)]
}

// gallery draws the flagged kernels of all pictures by class; nil where none
// is flagged. rows are those of each picture.
func gallery(d *document, rows [][]grading.KernelRow, seen []shown) ([]byte, error) {
	letters := map[string]string{}
	for _, g := range galleryGroups {
		letters[string(g.flag)] = g.letter
	}
	// pick returns what is shown of the kernels of a picture that are wanted, and
	// how many there are.
	pick := func(i int, wanted func(*grading.KernelRow) bool) (items []vision.GalleryItem, n int) {
		for k := range rows[i] {
			r := &rows[i][k]
			if !wanted(r) {
				continue
			}
			n++
			c := seen[i].crops[k]
			if c == nil {
				continue
			}
			it := vision.GalleryItem{Crop: c, Label: strconv.Itoa(r.ID)}
			if len(seen) > 1 {
				it.Label = fmt.Sprintf("%d/%d", i+1, r.ID)
			}
			var l []string
			for _, f := range r.Flags {
				l = append(l, letters[f])
			}
			it.Letters = strings.Join(l, " ")
			items = append(items, it)
		}
		return items, n
	}
	var groups []vision.GalleryGroup
	for _, g := range galleryGroups {
		if slices.Contains(d.Params.NotAssessed, g.flag) {
			continue
		}
		group := vision.GalleryGroup{Name: className(string(g.flag)), Letter: g.letter, Colour: g.colour, Dashed: g.dashed}
		n := 0
		for i := range seen {
			items, more := pick(i, func(r *grading.KernelRow) bool { return slices.Contains(r.Flags, string(g.flag)) })
			group.Items = append(group.Items, items...)
			n += more
		}
		if n == 0 {
			continue
		}
		group.Items = group.Items[:min(len(group.Items), galleryMost)]
		group.Note = count(n, "kernel", "kernels")
		if g.flag == kernel.Foreign {
			group.Note = count(n, "piece", "pieces")
		}
		for _, s := range d.Shares {
			if s.Name == string(g.flag) {
				group.Note += fmt.Sprintf(", %.2f %% by mass", s.MassPct.Value)
			}
		}
		if n > len(group.Items) {
			group.Note += fmt.Sprintf("; the first %d are shown, all stand in kernels.csv", len(group.Items))
		}
		groups = append(groups, group)
	}
	if len(groups) == 0 {
		return nil, nil
	}
	for i := range seen { // for comparison, of the first picture that has some
		if sound, _ := pick(i, func(r *grading.KernelRow) bool { return len(r.Flags) == 0 }); len(sound) > 0 {
			groups = slices.Insert(groups, 0, vision.GalleryGroup{Name: "sound", Letter: "–", Colour: color.NRGBA{0xd8, 0xd4, 0xc8, 0xff}, Note: "usual kernels of this sample, to compare with", Items: sound})
			break
		}
	}
	title, numbers := filepath.Base(d.Pictures[0].Picture.Picture), "Numbers are those of the overlay and of kernels.csv"
	if len(seen) > 1 {
		title += " and " + count(len(seen)-1, "more picture", "more pictures")
		numbers = "Numbers are picture/kernel, pictures in the order of the command line"
	}
	return vision.DrawGallery(title+": off-colour kernels and foreign bodies", groups, []string{
		numbers + "; letters are all that was noted on a kernel.",
		"One side of each kernel is seen. Colours are judged against the sample's own usual kernel, and chalk by the default share; a standard may draw the line elsewhere.",
		"Screening aid from a picture; not an official grade.",
	})
}
