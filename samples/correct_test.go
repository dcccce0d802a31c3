package samples_test

import (
	"bytes"
	"errors"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading"
	"traytally/grading/correct"
	"traytally/samples"
	"traytally/samples/internal/sampletest"
	"traytally/vision/kernel"
	"traytally/vision/kernel/fault"
)

// clerk is who open writes as.
const clerk = "A. Clerk (invented)"

// piece measures an outline by its greatest extent, and takes it for 20 px wide:
// the picture side is not here.
func piece(_ *kernel.Tray, outline []kernel.Point, _ []bool, faces int) kernel.Kernel {
	k := kernel.Kernel{Outline: outline, WidthPx: 20, Contacts: faces, LengthSDPx: 0.3, Solidity: 1}
	for i, p := range outline {
		q := outline[(i+1)%len(outline)]
		k.AreaPx2 += (p.X*q.Y - q.X*p.Y) / 2
		k.X, k.Y = k.X+p.X/float64(len(outline)), k.Y+p.Y/float64(len(outline))
		for _, o := range outline {
			k.LengthPx = max(k.LengthPx, p.Dist(o))
		}
	}
	k.AxisLengthPx, k.VolumePx3 = k.LengthPx, 16*k.AreaPx2
	return k
}

func at(k *kernel.Kernel) correct.Place { return correct.Place{k.X, k.Y} }

// across is a line across a kernel's middle.
func across(k *kernel.Kernel) []correct.Place {
	p, q := k.Outline[len(k.Outline)/4], k.Outline[3*len(k.Outline)/4]
	return []correct.Place{{k.X + 2*(p.X-k.X), k.Y + 2*(p.Y-k.Y)}, {k.X + 2*(q.X-k.X), k.Y + 2*(q.Y-k.Y)}}
}

// some corrections: one whole kernel is called broken, one is looked at, one
// cut, one gone, one chalky, one no rice.
func some(t *testing.T, g *samples.Register, code string) []correct.Correction {
	t.Helper()
	r, err := g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	k, err := r.Kernels()
	require.NoError(t, err)
	ks := k.Trays[0].Kernels
	return []correct.Correction{
		{Do: correct.Broken, At: at(&ks[0])}, {Do: correct.Right, At: at(&ks[1])}, {Do: correct.Cut, At: at(&ks[2]), Line: across(&ks[2])},
		{Do: correct.Gone, At: at(&ks[3])}, {Do: correct.Flag, Flag: kernel.Chalky, At: at(&ks[4])}, {Do: correct.NotRice, At: at(&ks[5])},
	}
}

func corrected(t *testing.T, g *samples.Register, code string) *samples.Record {
	t.Helper()
	r, err := g.Get(t.Context(), code, 0)
	require.NoError(t, err)
	r, err = g.Correct(t.Context(), code, "misjudged", r.Revision, some(t, g, code), piece)
	require.NoError(t, err)
	return r
}

// Corrections give a result that is what grading makes of the trays as
// corrected, beside the one as measured; taking them back gives the first result
// to the byte; all of it holds in Verify.
func TestCorrect(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		defer g.Close()
		ctx := t.Context()
		rec := sampletest.Record(t, 1, sampletest.Options{Kernels: 60, Facts: someFacts, Standard: "us-long", Code: "K-1"})
		_, err := g.Add(ctx, rec)
		require.NoError(t, err)
		first, err := g.Get(ctx, "K-1", 0)
		require.NoError(t, err)

		got := corrected(t, g, "K-1")
		assert.Equal(t, 2, got.Revision)
		assert.Equal(t, string(first.Result), string(got.Measured), "as measured")
		assert.Equal(t, "traytally.sample/2", got.Schema, "older versions refuse it")
		trays, err := got.Trays()
		require.NoError(t, err)
		assert.Len(t, trays[0].Kernels, 60)
		want, err := grading.Analyse(trays, first.Settings.Params)
		require.NoError(t, err)
		res, err := got.Decode()
		require.NoError(t, err)
		assert.Equal(t, want.Broken, res.Broken)
		assert.Equal(t, want.Shares, res.Shares)
		assert.Equal(t, "test", res.Versions["traytally"])
		old, err := first.Decode()
		require.NoError(t, err)
		assert.NotEqual(t, old.Broken.MassPct, res.Broken.MassPct)
		assert.NotEqual(t, old.Grade, res.Grade)

		row, err := got.Row()
		require.NoError(t, err)
		assert.Equal(t, 5, row.Corrected, "one was judged rightly")
		assert.Equal(t, []string{clerk}, row.By)
		assert.Equal(t, old.Broken.MassPct.Estimate, row.AsMeasured.BrokenMass)
		assert.Equal(t, old.Grade.Result, row.AsMeasured.Outcome)
		rows, err := g.List(ctx, samples.Query{})
		require.NoError(t, err)
		assert.Equal(t, *row, rows[0])
		var table bytes.Buffer
		require.NoError(t, samples.WriteCSV(&table, rows))
		assert.Contains(t, table.String(), ",5,"+clerk+",")

		// Another sheet is judged with the corrections, and the measured result too.
		_, err = g.Amend(ctx, "K-1", "measured later", func(f *samples.Facts) error {
			m := 17.5
			f.Sheet = &grading.Sheet{MoisturePct: &m}
			return nil
		})
		require.NoError(t, err)
		wet, err := g.Get(ctx, "K-1", 0)
		require.NoError(t, err)
		res, err = wet.Decode()
		require.NoError(t, err)
		assert.Equal(t, want.Broken, res.Broken)
		assert.Equal(t, 17.5, *res.Grade.Sheet.MoisturePct)
		measured, err := wet.AsMeasured()
		require.NoError(t, err)
		assert.Equal(t, 17.5, *measured.Grade.Sheet.MoisturePct)
		_, err = g.Amend(ctx, "K-1", "slip", func(f *samples.Facts) error { *f = first.Facts; return nil })
		require.NoError(t, err)

		_, err = g.Correct(ctx, "K-1", "all of it was a slip", 4, nil, piece)
		require.NoError(t, err)
		last, err := g.Get(ctx, "K-1", 0)
		require.NoError(t, err)
		assert.Equal(t, string(first.Result), string(last.Result))
		assert.Nil(t, last.Measured)
		assert.Equal(t, samples.Schema, last.Schema)
		_, err = g.Correct(ctx, "K-1", "again", 5, nil, piece)
		assert.ErrorContains(t, err, "changes nothing")

		v, err := g.Verify(ctx, "", nil)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
	})
}

// Who says it stands with each correction, whoever puts in more.
func TestCorrectedBy(t *testing.T) {
	where := t.TempDir() + "/r.db"
	g := open(t, where)
	defer g.Close()
	_, err := g.Add(t.Context(), sampletest.Record(t, 1, sampletest.Options{Kernels: 30, Code: "K-1"}))
	require.NoError(t, err)
	list := some(t, g, "K-1")
	_, err = g.Correct(t.Context(), "K-1", "misjudged", 1, list[:2], piece)
	require.NoError(t, err)
	other, err := samples.Open(t.Context(), where, samples.OpenOptions{Actor: "other"})
	require.NoError(t, err)
	defer other.Close()
	r, err := other.Correct(t.Context(), "K-1", "misjudged", 2, list[:3], piece)
	require.NoError(t, err)
	var by []string
	for _, c := range r.Corrections {
		by = append(by, c.By)
	}
	assert.Equal(t, []string{clerk, clerk, "other"}, by)
}

// Of writers that correct the same revision one does, and the others are told;
// nothing of what was saved is lost.
func TestCorrectAtOnce(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		defer g.Close()
		_, err := g.Add(t.Context(), sampletest.Record(t, 1, sampletest.Options{Kernels: 30, Code: "K-1"}))
		require.NoError(t, err)
		list := some(t, g, "K-1")
		var done sync.WaitGroup
		errs := make([]error, 4)
		for i := range errs {
			done.Go(func() {
				_, errs[i] = g.Correct(t.Context(), "K-1", "misjudged", 1, list[i:i+1], piece)
			})
		}
		done.Wait()
		saved := 0
		for _, err := range errs {
			if err == nil {
				saved++
				continue
			}
			assert.ErrorIs(t, err, samples.ErrChanged)
			e, ok := errors.AsType[*fault.Error](err)
			require.True(t, ok)
			assert.Contains(t, e.What, "sample K-1 is at revision 2")
			assert.NotEmpty(t, e.Hint)
		}
		assert.Equal(t, 1, saved)
		r, err := g.Get(t.Context(), "K-1", 0)
		require.NoError(t, err)
		assert.Equal(t, 2, r.Revision)
		assert.Len(t, r.Corrections, 1)
	})
}

// Corrections that cannot be leave the register as it is.
func TestCorrectRefused(t *testing.T) {
	g := open(t, t.TempDir()+"/r.db")
	defer g.Close()
	_, err := g.Add(t.Context(), sampletest.Record(t, 1, sampletest.Options{Kernels: 30, Code: "K-1"}))
	require.NoError(t, err)
	_, err = g.Correct(t.Context(), "K-1", "misjudged", 1, []correct.Correction{{Do: correct.Gone, At: correct.Place{-5, -5}}}, piece)
	assert.ErrorContains(t, err, "correction 1 (gone at -5,-5): no kernel lies at -5,-5")
	_, err = g.Correct(t.Context(), "K-1", " ", 1, some(t, g, "K-1"), piece)
	assert.ErrorContains(t, err, "needs a reason")
	h, err := g.History(t.Context(), "K-1")
	require.NoError(t, err)
	assert.Len(t, h, 1)
}

// A withdrawn sample leaves lists, trends and exports, and comes back.
func TestWithdraw(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		defer g.Close()
		ctx := t.Context()
		for i := range 3 {
			_, err := g.Add(ctx, sampletest.Record(t, uint64(i+1), sampletest.Options{Kernels: 30}))
			require.NoError(t, err)
		}
		_, err := g.Withdraw(ctx, "S2026-0002", "wrong tray", true)
		require.NoError(t, err)
		codes := func(q samples.Query) (out []string) {
			rows, err := g.List(ctx, q)
			require.NoError(t, err)
			n := 0
			for r, err := range g.Records(ctx, q) {
				require.NoError(t, err)
				assert.Equal(t, rows[n].Code, r.Code)
				out = append(out, r.Code)
				n++
			}
			assert.Len(t, rows, n)
			return out
		}
		assert.Equal(t, []string{"S2026-0001", "S2026-0003"}, codes(samples.Query{}))
		assert.Equal(t, []string{"S2026-0003"}, codes(samples.Query{Last: 1}))
		assert.Len(t, codes(samples.Query{Withdrawn: true}), 3)
		_, err = g.Withdraw(ctx, "S2026-0002", "again", true)
		assert.ErrorContains(t, err, "changes nothing")
		_, err = g.Withdraw(ctx, "S2026-0002", "was the right one", false)
		require.NoError(t, err)
		assert.Len(t, codes(samples.Query{}), 3)
		h, err := g.History(ctx, "S2026-0002")
		require.NoError(t, err)
		assert.Equal(t, []string{samples.ActionRegister, samples.ActionWithdraw, samples.ActionRestore}, []string{h[0].Action, h[1].Action, h[2].Action})
		v, err := g.Verify(ctx, "", nil)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
	})
}

// A renamed sample is found by all its codes, has one history, and keeps them
// for itself.
func TestRename(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		defer g.Close()
		ctx := t.Context()
		one, two := sampletest.Record(t, 1, sampletest.Options{Kernels: 30}), sampletest.Record(t, 2, sampletest.Options{Kernels: 30, Code: "K-2"})
		for _, r := range []*samples.Record{one, two} {
			_, err := g.Add(ctx, r)
			require.NoError(t, err)
		}
		_, err := g.Rename(ctx, "S2026-0001", "K-1", "code came late")
		require.NoError(t, err)
		_, err = g.Rename(ctx, "K-1", "N-1", "slip of the pen")
		require.NoError(t, err)
		for _, code := range []string{"N-1", "K-1", "S2026-0001"} {
			r, err := g.Get(ctx, code, 0)
			require.NoError(t, err, code)
			assert.Equal(t, "N-1", r.Code)
			assert.Equal(t, []string{"S2026-0001", "K-1"}, r.FormerCodes)
			h, err := g.History(ctx, code)
			require.NoError(t, err)
			require.Len(t, h, 3)
			assert.Equal(t, "K-1 is now N-1: slip of the pen", h[2].Reason)
			assert.Equal(t, "S2026-0001", h[2].Code)
		}
		first, err := g.Get(ctx, "N-1", 1)
		require.NoError(t, err)
		assert.Equal(t, "S2026-0001", first.Code)
		code, err := g.Lookup(ctx, one.Key)
		require.NoError(t, err)
		assert.Equal(t, "N-1", code)
		codes, err := g.WithPicture(ctx, one.Pictures[0].SHA256)
		require.NoError(t, err)
		assert.Equal(t, []string{"N-1"}, codes)
		names, err := g.FileNames(ctx)
		require.NoError(t, err)
		assert.Equal(t, "N-1", names["N-1"])
		found, err := g.List(ctx, samples.Query{Text: "k-1"})
		require.NoError(t, err)
		assert.Len(t, found, 1, "found by a code that it had")

		for _, taken := range []string{"K-2", "k-2"} {
			_, err = g.Rename(ctx, "N-1", taken, "slip")
			assert.ErrorIs(t, err, samples.ErrCodeTaken, taken)
		}
		for _, taken := range []string{"K-1", "n-1", "S2026-0001"} {
			_, err = g.Rename(ctx, "K-2", taken, "slip")
			assert.ErrorIs(t, err, samples.ErrCodeTaken, taken)
			_, err = g.Add(ctx, sampletest.Record(t, 3, sampletest.Options{Kernels: 30, Code: taken}))
			assert.ErrorIs(t, err, samples.ErrCodeTaken, taken)
		}
		_, err = g.Rename(ctx, "N-1", "a/b", "slip")
		assert.ErrorContains(t, err, "cannot be the code")
		_, err = g.Rename(ctx, "N-1", "N-1", "slip")
		assert.ErrorContains(t, err, "changes nothing")
		_, err = g.Rename(ctx, "N-1", "K-1", "it was right")
		require.NoError(t, err)
		r, err := g.Get(ctx, "N-1", 0)
		require.NoError(t, err)
		assert.Equal(t, "K-1", r.Code)
		v, err := g.Verify(ctx, "", nil)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
	})
}

// The lab's own agreement is counted over the kernels that were looked at. Of
// five in class head one was called broken, one cut, one gone and one no rice;
// Jeffreys's interval of 4 in 6 are the quantiles of the beta distribution with
// 4.5 and 2.5 (Brown, Cai, DasGupta, Statistical Science 16 (2001) 101-133),
// here by summing its density in 200,000 steps.
func TestAgreement(t *testing.T) {
	g := open(t, t.TempDir()+"/r.db")
	defer g.Close()
	ctx := t.Context()
	for i := range 2 {
		_, err := g.Add(ctx, sampletest.Record(t, uint64(i+1), sampletest.Options{Kernels: 60, Broken: 1e-9}))
		require.NoError(t, err)
	}
	corrected(t, g, "S2026-0001")
	a, err := g.Agreement(ctx, samples.Query{})
	require.NoError(t, err)
	assert.Equal(t, 1, a.Samples)
	assert.Equal(t, 6, a.Looked)
	calls := map[string]samples.Call{}
	for _, c := range a.Calls {
		calls[c.Kind+" "+c.Name] = c
	}
	assert.Equal(t, 5, calls["all "].Changed)
	assert.Equal(t, [2]int{6, 4}, [2]int{calls["class head"].Looked, calls["class head"].Changed})
	assert.Equal(t, [2]int{3, 1}, [2]int{calls["no_flag chalky"].Looked, calls["no_flag chalky"].Changed})
	e := calls["class head"].ChangedPct
	assert.InDelta(t, 66.667, e.Value, 0.001)
	assert.InDelta(t, 28.64, e.Low, 0.01)
	assert.InDelta(t, 92.32, e.High, 0.01)

	_, err = g.Withdraw(ctx, "S2026-0001", "test scan", true)
	require.NoError(t, err)
	a, err = g.Agreement(ctx, samples.Query{})
	require.NoError(t, err)
	assert.Zero(t, a.Looked)
}

// Where several people share one program, each change is entered as made by
// whoever made it, the corrections too.
func TestBy(t *testing.T) {
	eachKind(t, func(t *testing.T, where string) {
		g := open(t, where)
		defer g.Close()
		ctx := t.Context()
		_, err := g.Add(ctx, sampletest.Record(t, 1, sampletest.Options{Kernels: 60, Code: "K-1"}))
		require.NoError(t, err)
		second, err := samples.By(ctx, " B. Clerk (invented) ")
		require.NoError(t, err)
		rec, err := g.Correct(second, "K-1", "misjudged", 1, some(t, g, "K-1"), piece)
		require.NoError(t, err)
		assert.Equal(t, "B. Clerk (invented)", rec.Corrections[0].By)
		_, err = g.Withdraw(ctx, "K-1", "test scan", true)
		require.NoError(t, err)
		history, err := g.History(ctx, "K-1")
		require.NoError(t, err)
		var by []string
		for _, e := range history {
			by = append(by, e.Actor)
		}
		assert.Equal(t, []string{clerk, "B. Clerk (invented)", clerk}, by)
		v, err := g.Verify(ctx, "", nil)
		require.NoError(t, err)
		assert.Empty(t, v.Problems)
	})
	for _, bad := range []string{"", " ", "a\nb", string(make([]byte, 200))} {
		_, err := samples.By(t.Context(), bad)
		assert.Error(t, err)
	}
}
