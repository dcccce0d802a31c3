package standards_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"traytally/grading/standards"
)

// otherLimits are the limits that TestLimitsAgainstTheDocuments does not spell
// out, held against the documents one by one: those of several kinds of rice
// with one figure in one row, from the best grade to the worst, - for none. All
// are ceilings that take their own value in, unless said.
var otherLimits = []struct{ source, codes, factor, want string }{
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "small_broken", "1 1.5 2"},
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "imperfect", "3 4 6"},
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "yellow", "1 1 1"},
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "mixed", "5 5 5"},
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "foreign", "0.25 0.25 0.25"},
	{"GB/T 1354-2018, tables (from memory)", "cn-indica cn-japonica", "inorganic", "0.02 0.02 0.02"},
	{"GB/T 1354-2018, table of indica rice (from memory)", "cn-indica", "moisture", "14.5 14.5 14.5"},
	{"GB/T 1354-2018, table of japonica rice (from memory)", "cn-japonica", "moisture", "15.5 15.5 15.5"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "damaged", "3"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "immature", "2"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "red", "4"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "red_streaked", "8"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "paddy", "0.3"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "husked", "1"},
	{"CXS 198-1995, Annex (from memory)", "codex codex-parboiled", "glutinous", "1"},
	{"CXS 198-1995, 3.1.2", "codex codex-parboiled", "insects", "0"},
	{"CXS 198-1995, 3.2.2", "codex codex-parboiled", "filth", "0.1"},
	{"CXS 198-1995, 3.2.2 (from memory)", "codex codex-parboiled", "organic", "0.5"},
	{"CXS 198-1995, 3.2.2 (from memory)", "codex codex-parboiled", "inorganic", "0.1"},
	{"CXS 198-1995, Annex (from memory)", "codex-parboiled", "pecks", "2"},
	{"CXS 198-1995, 3.2.1", "codex-parboiled", "moisture", "15"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-mla", "red_striated", "5"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-round", "yellow", "0.175"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-mla", "amber", "0.5"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-mla eu-intervention-round", "impurities", "1"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-mla eu-intervention-round", "other_varieties", "5"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-longb eu-intervention-mla eu-intervention-round", "moisture", "14.5"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-mla", "chalky", "4"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-mla", "spotted_stained", "2.75"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-round", "red_striated", "10"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-round", "spotted_stained", "4"},
	{"(EU) 1308/2013, 1272/2009, 1272/2009, Annex II Part IV", "eu-intervention-round", "amber", "1"},
	{"restated, no edition, grade table", "in-agmark-fine in-agmark-medium", "fragments", "0.5 1 1.5 -"},
	{"restated, no edition, grade table", "in-agmark-fine", "foreign", "0.2 0.5 1 2"},
	{"restated, no edition, grade table", "in-agmark-fine", "admixture", "5 10 15 25"},
	{"restated, no edition, grade table", "in-agmark-fine", "damaged_discoloured", "0.25 0.5 1 4"},
	{"restated, no edition, grade table", "in-agmark-fine", "red", "1 2 3 6"},
	{"restated, no edition, definitions", "in-agmark-fine in-agmark-medium", "moisture", "15 15 15 15"},
	{"restated, no edition, grade table", "in-agmark-medium", "foreign", "0.3 0.7 1.2 2"},
	{"restated, no edition, grade table", "in-agmark-medium", "admixture", "5 10 15 30"},
	{"restated, no edition, grade table", "in-agmark-medium", "damaged_discoloured", "2 3 5 10"},
	{"restated, no edition, grade table", "in-agmark-medium", "damaged", "- - - 5"},
	{"restated, no edition, grade table", "in-agmark-medium", "red", "2 3 - -"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "small_broken", "1"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "foreign", "0.5"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled", "damaged", "4"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled", "discoloured", "5"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "red", "3"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "admixture", "6"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "dehusked", "13"},
	{"letter of the season, schedule (from memory)", "in-central-parboiled in-central-raw", "moisture", "14"},
	{"letter of the season, schedule (from memory)", "in-central-raw", "damaged", "3"},
	{"letter of the season, schedule (from memory)", "in-central-raw", "discoloured", "3"},
	{"letter of the season, schedule (from memory)", "in-central-raw", "chalky", "5"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "damaged", "3"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "immature", "2"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "paddy", "0.3"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "husked", "1"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "husked_parboiled", "1"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301", "milled_parboiled", "1"},
	{"ISO 7301 model, 2016, Table 1, Annex B", "iso-7301 iso-7301-parboiled", "waxy", "1"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "organic", "0.5"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "inorganic", "0.5"},
	{"ISO 7301 model, 2016, model document", "iso-7301 iso-7301-parboiled", "moisture", "15"},
	{"ISO 7301 model, 2016, model document", "iso-7301 iso-7301-parboiled", "insects", "0"},
	{"ISO 7301 model, 2016, Table 1 (from memory)", "iso-7301-parboiled", "chips", "0.1"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "heat_damaged", "2"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "red", "12"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "partly_gelatinized", "11"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "pecks", "2"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "milled_raw", "1"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "damaged", "0 0.25 0.5 2"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "discoloured", "0.5 2 4 8"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "chalky_immature", "2 5 10 15"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "contrasting", "3 6 10 18"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "red", "0 0.25 0.5 2"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "foreign", "0 0.1 0.2 0.5"},
	{"PNS/BAFS 290:2019, grade table (from memory)", "ph", "paddy", "1 8 10 15"},
	{"PNS/BAFS 290:2019, II.A.1", "ph", "odour", "0 0 0 0"},
	{"PNS/BAFS 290:2019, II.A.1", "ph", "insects", "0 0 0 0"},
	{"B.E. 2540 (1997), white rice, composition", "thai-white", "long_class_3", "5 - - - - - - - - -"},
	{"B.E. 2540 (1997), white rice, other matter", "thai-white", "red_undermilled", "0 0 0 2 2 5 5 7 7 7"},
	{"B.E. 2540 (1997), white rice, other matter", "thai-white", "damaged", "0 0.25 0.25 0.25 0.5 1 1 2 2 2"},
	{"B.E. 2540 (1997), white rice, other matter", "thai-white", "glutinous", "1.5 1.5 1.5 1.5 1.5 2 2 2 2 2"},
	{"B.E. 2540 (1997), white rice, other matter", "thai-white", "other_matter", "0 0.2 0.2 0.3 0.4 0.4 1 2 2 2"},
	{"B.E. 2540 (1997), white rice, other matter", "thai-white", "milling", "1 1 1 2 2 3 3 4 4 4"},
	{"B.E. 2540 (1997), general", "thai-white", "moisture", "14 14 14 14 14 14 14 14 14 14"},
	{"7 CFR 868.302(d)(7) (from memory)", "us-brewers", "whole", "25 25 25 25 25"},
	{"7 CFR 868.313, Sample grade", "us-brewers", "through_25sieve", "15 15 15 15 15"},
	{"7 CFR 868.313, grades 1 to 4", "us-brewers", "heat_parboiled", "3 3 3 3 -"},
	{"7 CFR 868.313, grades 1 to 4", "us-brewers", "through_30sieve", "1 1 1 1 -"},
	{"7 CFR 868.313", "us-brewers", "colour", "1 2 3 4 5"},
	{"7 CFR 868.310, note to U.S. No. 6 (from memory)", "us-long us-medium us-mixed us-short", "damaged", "- - - - - 6"},
	{"7 CFR 868.310, column 12", "us-long us-medium us-mixed us-short", "colour", "1 2 3 4 5 5"},
	{"7 CFR 868.310, column 13", "us-long us-medium us-mixed us-short", "milling", "1 1 2 2 2 2"},
	{"7 CFR 868.310, Sample grade", "us-long us-medium us-mixed us-short", "odour", "0 0 0 0 0 0"},
	{"7 CFR 868.310, Sample grade", "us-long us-medium us-mixed us-short", "insects", "below:2 below:2 below:2 below:2 below:2 below:2"},
	{"7 CFR 868.310, Sample grade", "us-long us-medium us-mixed us-short", "foreign", "0.1 0.1 0.1 0.1 0.1 0.1"},
	{"7 CFR 868.310, column 3 (from memory)", "us-medium us-mixed us-short", "red_damaged", "0.5 1.5 2.5 4 6 15"},
	{"7 CFR 868.310, column 1 (from memory)", "us-medium us-mixed us-short", "seeds_heat_paddy", "2 4 7 20 30 75"},
	{"7 CFR 868.310, column 2", "us-medium us-mixed us-short", "heat_objectionable", "1 2 5 15 25 75"},
	{"7 CFR 868.310, column 7 (from memory)", "us-medium us-mixed us-short", "broken_5plate", "0.04 0.06 0.1 0.4 0.7 1"},
	{"7 CFR 868.310, column 8 (from memory)", "us-medium us-mixed us-short", "broken_6plate", "0.1 0.2 0.8 1 3 4"},
	{"7 CFR 868.310, column 9 (from memory)", "us-medium us-mixed us-short", "broken_6sieve", "0.1 0.2 0.5 0.7 1 2"},
	{"7 CFR 868.310, column 11", "us-medium us-short", "other_types", "1 2 3 5 - -"},
	{"7 CFR 868.310, column 10 (from memory)", "us-medium us-short", "other_types_whole", "- - - - 10 10"},
	{"7 CFR 868.310, Sample grade", "us-medium us-mixed us-short", "moisture", "15 15 15 15 15 15"},
	{"7 CFR 868.302(d)(6) (from memory)", "us-screenings", "whole", "25 25 25 25 25"},
	{"7 CFR 868.302(d)(6) (from memory)", "us-screenings", "removed_5plate", "10 10 10 10 10"},
	{"7 CFR 868.302(d)(6) (from memory)", "us-screenings", "through_4sieve", "0.2 0.2 0.2 0.2 0.2"},
	{"7 CFR 868.302(d)(6) (from memory)", "us-screenings", "through_55sieve", "15 15 15 15 15"},
	{"7 CFR 868.312, grades 1 to 4", "us-screenings", "heat_parboiled", "3 3 3 3 -"},
	{"7 CFR 868.312, grades 1 to 4", "us-screenings", "through_30sieve", "1 1 1 1 -"},
	{"7 CFR 868.312", "us-screenings", "colour", "1 2 3 4 5"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "whole", "25 25 25 25 25"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "removed_6plate", "7 7 7 7 7"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "removed_5plate", "0.4 0.4 0.4 0.4 0.4"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "through_4sieve", "0.05 0.05 0.05 0.05 0.05"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "through_65sieve", "50 50 50 50 50"},
	{"7 CFR 868.302(d)(5) (from memory)", "us-second-head", "through_6sieve", "10 10 10 10 10"},
	{"7 CFR 868.311", "us-second-head", "colour", "1 2 3 4 5"},
	{"7 CFR 868.311", "us-second-head", "milling", "1 1 2 2 2"},
	{"7 CFR 868.310, column 5", "us-short", "chalky", "2 4 6 8 10 15"},
}

// TestOtherLimits holds the tables to otherLimits.
func TestOtherLimits(t *testing.T) {
	for _, row := range otherLimits {
		for _, code := range strings.Fields(row.codes) {
			s := lookup(t, code)
			var got []string
			for g := range s.Grades {
				figure := "-"
				for _, l := range s.Limits(g) {
					if l.Factor.Code != row.factor {
						continue
					}
					figure = fmt.Sprint(l.Value)
					if l.Bound != standards.AtMost {
						figure = string(l.Bound) + ":" + figure
					}
					assert.Equal(t, strings.Contains(row.source, "from memory"), l.FromMemory, "mark of %s, %s, %s", code, l.Grade, row.factor)
				}
				got = append(got, figure)
			}
			assert.Equal(t, row.want, strings.Join(got, " "), "%s, %s (%s)", code, row.factor, row.source)
		}
	}
}

// TestEveryLimitIsHeldAgainstItsDocument: no limit stands in a file that one of
// the two lists does not hold against its source.
func TestEveryLimitIsHeldAgainstItsDocument(t *testing.T) {
	checked := map[string]bool{}
	for _, row := range documentLimits {
		checked[row.code+" "+row.factor] = true
	}
	for _, row := range otherLimits {
		for _, code := range strings.Fields(row.codes) {
			assert.False(t, checked[code+" "+row.factor], "%s %s stands in both lists", code, row.factor)
			checked[code+" "+row.factor] = true
		}
	}
	all, err := standards.All()
	assert.NoError(t, err)
	for _, s := range all {
		for i := range s.Factors {
			if f := &s.Factors[i]; f.HasLimit() {
				assert.True(t, checked[s.Code+" "+f.Code], "%s %s", s.Code, f.Code)
			}
		}
	}
}
