package standards_test

import (
	"path"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"traytally/grading/standards"
)

// documentLimits are copied by hand from the documents named, so that a slip in a
// file shows: the codes with * for any letters, the factor, its limit from the
// best grade to the worst, and how far it was read. A figure alone is the most
// that is allowed; - stands for none. The mark is R for read, S for restated, M
// for from memory, one for all grades or one for each.
var documentLimits = []struct{ source, codes, factor, want, mark string }{
	{"Codex CXS 198-1995, 3.2.1", "codex", "moisture", "15", "R"},
	{"Codex CXS 198-1995, Annex", "codex", "chalky", "11", "M"},
	{"Codex CXS 198-1995, Annex", "codex", "heat_damaged", "3", "M"},
	{"Codex CXS 198-1995, Annex", "codex-parboiled", "heat_damaged", "6", "M"},
	{"ISO model document, Table 1", "iso-7301", "chips", "0.1", "M"},
	{"ISO model document, Table 1", "iso-7301", "chalky", "5", "M"},
	{"ISO model document, Table 1", "iso-7301", "heat_damaged", "2", "R"},
	{"ISO model document, Table 1", "iso-7301", "red", "12", "R"},
	{"TCVN 11888:2017", "vn-white", "broken", "7 12 17 27", "M"},
	{"TCVN 11888:2017", "vn-white", "whole", ">=60 >=55 >=50 >=40", "M"},
	{"GB/T 1354-2018", "cn-indica", "broken", "15 20 30", "M"},
	{"GB/T 1354-2018", "cn-japonica", "broken", "10 15 20", "M"},
	{"Agmark, trade restatement", "in-agmark-medium", "broken", "7 15 20 30", "S"},
	{"Agmark, trade restatement", "in-agmark-fine", "broken", "3 7 12 20", "S"},
	{"common practice, no source", "trade", "broken", "5 10 15 25", ""},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "small_broken", "1 1.5 2", "M"},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "imperfect", "3 4 6", "M"},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "yellow", "1 1 1", "M"},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "mixed", "5 5 5", "M"},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "foreign", "0.25 0.25 0.25", "M"},
	{"GB/T 1354-2018, tables", "cn-indica cn-japonica", "inorganic", "0.02 0.02 0.02", "M"},
	{"GB/T 1354-2018, table of indica rice", "cn-indica", "moisture", "14.5 14.5 14.5", "M"},
	{"GB/T 1354-2018, table of japonica rice", "cn-japonica", "moisture", "15.5 15.5 15.5", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "damaged", "3", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "immature", "2", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "red", "4", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "red_streaked", "8", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "paddy", "0.3", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "husked", "1", "M"},
	{"CXS 198-1995, Annex", "codex codex-parboiled", "glutinous", "1", "M"},
	{"CXS 198-1995, 3.1.2", "codex codex-parboiled", "insects", "0", "R"},
	{"CXS 198-1995, 3.2.2", "codex codex-parboiled", "filth", "0.1", "R"},
	{"CXS 198-1995, 3.2.2", "codex codex-parboiled", "organic", "0.5", "M"},
	{"CXS 198-1995, 3.2.2", "codex codex-parboiled", "inorganic", "0.1", "M"},
	{"CXS 198-1995, Annex", "codex-parboiled", "pecks", "2", "M"},
	{"CXS 198-1995, 3.2.1", "codex-parboiled", "moisture", "15", "R"},
	{"Agmark, trade restatement, grade table", "in-agmark-fine in-agmark-medium", "fragments", "0.5 1 1.5 -", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-fine", "foreign", "0.2 0.5 1 2", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-fine", "admixture", "5 10 15 25", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-fine", "damaged_discoloured", "0.25 0.5 1 4", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-fine", "red", "1 2 3 6", "S"},
	{"Agmark, trade restatement, definitions", "in-agmark-fine in-agmark-medium", "moisture", "15 15 15 15", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-medium", "foreign", "0.3 0.7 1.2 2", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-medium", "admixture", "5 10 15 30", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-medium", "damaged_discoloured", "2 3 5 10", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-medium", "damaged", "- - - 5", "S"},
	{"Agmark, trade restatement, grade table", "in-agmark-medium", "red", "2 3 - -", "S"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "damaged", "3", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "immature", "2", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "paddy", "0.3", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "husked", "1", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "husked_parboiled", "1", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301", "milled_parboiled", "1", "R"},
	{"ISO 7301 model, 2016, Table 1, Annex B", "iso-7301 iso-7301-parboiled", "waxy", "1", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "organic", "0.5", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301 iso-7301-parboiled", "inorganic", "0.5", "R"},
	{"ISO 7301 model, 2016, model document", "iso-7301 iso-7301-parboiled", "moisture", "15", "R"},
	{"ISO 7301 model, 2016, model document", "iso-7301 iso-7301-parboiled", "insects", "0", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "chips", "0.1", "M"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "heat_damaged", "2", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "red", "12", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "partly_gelatinized", "11", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "pecks", "2", "R"},
	{"ISO 7301 model, 2016, Table 1", "iso-7301-parboiled", "milled_raw", "1", "R"},
	{"868.310 (2015, with headings), column 6", "us-long* us-medium* us-short* us-mixed*", "broken", "4 7 15 25 35 50", "R"},
	{"868.310 (2015, with headings), column 1", "us-long* us-medium* us-short* us-mixed*", "seeds_heat_paddy", "2 4 7 20 30 75", "R"},
	{"868.310 (2015, with headings), column 2", "us-long* us-medium* us-short* us-mixed*", "heat_objectionable", "1 2 5 15 25 75", "R"},
	{"868.310 (2015, with headings), column 3", "us-long us-medium us-short us-mixed us-long-p* us-medium-p* us-short-p* us-mixed-p* us-long-g* us-medium-g* us-short-g* us-mixed-g*", "red_damaged", "0.5 1.5 2.5 4 6 15", "R"},
	{"868.315(d)", "us-*-undermilled", "red_damaged", "0.5 1.5 2.5 4 10 15", "R"},
	{"868.310 (2015, with headings), note 6", "us-long us-medium us-short us-mixed us-long-p* us-medium-p* us-short-p* us-mixed-p* us-long-g* us-medium-g* us-short-g* us-mixed-g*", "damaged", "- - - - - 6", "R"},
	{"868.315(d)", "us-*-undermilled", "damaged", "- - - - 6 6", "R"},
	{"868.310 (2015, with headings), column 4", "us-long us-long-undermilled", "chalky", "1 2 4 6 10 15", "R"},
	{"868.310 (2015, with headings), column 5", "us-medium us-short us-medium-undermilled us-short-undermilled", "chalky", "2 4 6 8 10 15", "R"},
	{"868.310 (2015, with headings), column 7", "us-long* us-medium* us-short* us-mixed*", "broken_5plate", "0.04 0.06 0.1 0.4 0.7 1", "R"},
	{"868.310 (2015, with headings), column 8", "us-long* us-medium* us-short* us-mixed*", "broken_6plate", "0.1 0.2 0.8 1 3 4", "R"},
	{"868.310 (2015, with headings), column 9", "us-long* us-medium* us-short* us-mixed*", "broken_6sieve", "0.1 0.2 0.5 0.7 1 2", "R"},
	{"868.310 (2015, with headings), column 10, note 4", "us-long* us-medium* us-short*", "other_types_whole", "- - - - 10 10", "R"},
	{"868.310 (2015, with headings), column 11, note 4", "us-long* us-medium* us-short*", "other_types", "1 2 3 5 - -", "R"},
	{"868.310 (2015, with headings), column 12", "us-long us-medium us-short us-mixed us-long-g* us-medium-g* us-short-g* us-mixed-g*", "colour", "1 2 3 4 5 5", "R"},
	{"868.310 (2015, with headings), column 13; hard milled is the best word, 868.306", "us-long us-medium us-short us-mixed us-long-g* us-medium-g* us-short-g* us-mixed-g* us-long-p* us-medium-p* us-short-p* us-mixed-p*", "milling", "2 2 3 3 3 3", "R"},
	{"868.315(c)", "us-long-parboiled us-medium-parboiled us-short-parboiled us-mixed-parboiled", "ungelatinized", "10 10 10 10 10 10", "R"},
	{"868.315(c)", "us-long-parboiled us-medium-parboiled us-short-parboiled us-mixed-parboiled", "non_parboiled", "0.1 0.1 0.2 0.2 0.5 0.5", "R"},
	{"868.315(e)", "us-long-glutinous us-medium-glutinous us-short-glutinous us-mixed-glutinous", "non_chalky", "1 2 4 6 10 15", "R"},
	{"868.315(d)", "us-*-undermilled", "well_milled_kernels", "2 2 5 5 10 15", "R"},
	{"868.310, Sample grade", "us-long* us-medium* us-short* us-mixed*", "moisture", "15 15 15 15 15 15", "R"},
	{"868.310, Sample grade", "us-long* us-medium* us-short* us-mixed*", "odour", "0 0 0 0 0 0", "R"},
	{"868.310, Sample grade: two or more, live or dead", "us-long* us-medium* us-short* us-mixed*", "insects", "<2 <2 <2 <2 <2 <2", "R"},
	{"868.310, Sample grade: any webbing or refuse", "us-long* us-medium* us-short* us-mixed*", "insect_refuse", "0 0 0 0 0 0", "R"},
	{"868.310, Sample grade", "us-long* us-medium* us-short* us-mixed*", "foreign", "0.1 0.1 0.1 0.1 0.1 0.1", "R"},
	{"868.311, Sample grade", "us-second-head*", "moisture", "15 15 15 15 15", "R"},
	{"868.311, Sample grade", "us-second-head*", "odour", "0 0 0 0 0", "R"},
	{"868.311, Sample grade: two or more, live or dead", "us-second-head*", "insects", "<2 <2 <2 <2 <2", "R"},
	{"868.311, Sample grade: any webbing or refuse", "us-second-head*", "insect_refuse", "0 0 0 0 0", "R"},
	{"868.311, Sample grade", "us-second-head*", "foreign", "0.1 0.1 0.1 0.1 0.1", "R"},
	{"868.311; 868.306", "us-second-head*", "milling", "2 2 3 3 3", "R"},
	{"868.302(d)(5) to (7)", "us-second-head*", "whole", "25 25 25 25 25", "R"},
	{"868.315(c)", "us-second-head-parboiled", "ungelatinized", "10 10 10 10 10", "R"},
	{"868.315(c)", "us-second-head-parboiled", "non_parboiled", "0.1 0.1 0.2 0.2 0.5", "R"},
	{"868.312, Sample grade", "us-screenings*", "moisture", "15 15 15 15 15", "R"},
	{"868.312, Sample grade", "us-screenings*", "odour", "0 0 0 0 0", "R"},
	{"868.312, Sample grade: two or more, live or dead", "us-screenings*", "insects", "<2 <2 <2 <2 <2", "R"},
	{"868.312, Sample grade: any webbing or refuse", "us-screenings*", "insect_refuse", "0 0 0 0 0", "R"},
	{"868.312, Sample grade", "us-screenings*", "foreign", "0.1 0.1 0.1 0.1 0.1", "R"},
	{"868.312, Sample grade", "us-screenings*", "looks", "0 0 0 0 0", "R"},
	{"868.312; 868.306", "us-screenings*", "milling", "2 2 3 3 3", "R"},
	{"868.302(d)(5) to (7)", "us-screenings*", "whole", "25 25 25 25 25", "R"},
	{"868.315(c)", "us-screenings-parboiled", "ungelatinized", "10 10 10 10 10", "R"},
	{"868.315(c)", "us-screenings-parboiled", "non_parboiled", "0.1 0.1 0.2 0.2 0.5", "R"},
	{"868.313, Sample grade", "us-brewers*", "moisture", "15 15 15 15 15", "R"},
	{"868.313, Sample grade", "us-brewers*", "odour", "0 0 0 0 0", "R"},
	{"868.313, Sample grade: two or more, live or dead", "us-brewers*", "insects", "<2 <2 <2 <2 <2", "R"},
	{"868.313, Sample grade: any webbing or refuse", "us-brewers*", "insect_refuse", "0 0 0 0 0", "R"},
	{"868.313, Sample grade", "us-brewers*", "foreign", "0.1 0.1 0.1 0.1 0.1", "R"},
	{"868.313, Sample grade", "us-brewers*", "looks", "0 0 0 0 0", "R"},
	{"868.313; 868.306", "us-brewers*", "milling", "2 2 3 3 3", "R"},
	{"868.302(d)(5) to (7)", "us-brewers*", "whole", "25 25 25 25 25", "R"},
	{"868.315(c)", "us-brewers-parboiled", "ungelatinized", "10 10 10 10 10", "R"},
	{"868.315(c)", "us-brewers-parboiled", "non_parboiled", "0.1 0.1 0.2 0.2 0.5", "R"},
	{"868.302(d)(5)", "us-second-head*", "removed_6plate", "7 7 7 7 7", "R"},
	{"868.302(d)(5)", "us-second-head*", "removed_5plate", "0.4 0.4 0.4 0.4 0.4", "R"},
	{"868.302(d)(5)", "us-second-head*", "through_4sieve", "0.05 0.05 0.05 0.05 0.05", "R"},
	{"868.302(d)(5)", "us-second-head*", "through_65sieve", "50 50 50 50 50", "R"},
	{"868.302(d)(5)", "us-second-head*", "through_6sieve", "10 10 10 10 10", "R"},
	{"868.311", "us-second-head*", "red_damaged", "1 2 3 5 10", "R"},
	{"868.311", "us-second-head", "chalky", "4 6 10 15 20", "R"},
	{"868.315(e)", "us-second-head-glutinous", "non_chalky", "4 6 10 15 20", "R"},
	{"868.311", "us-second-head*", "seeds_heat_paddy", "15 20 35 50 75", "R"},
	{"868.311", "us-second-head*", "heat_objectionable", "5 10 15 25 40", "R"},
	{"868.311", "us-second-head us-second-head-glutinous", "colour", "1 2 3 4 5", "R"},
	{"868.302(d)(6)", "us-screenings*", "removed_5plate", "10 10 10 10 10", "R"},
	{"868.302(d)(6)", "us-screenings*", "through_4sieve", "0.2 0.2 0.2 0.2 0.2", "R"},
	{"868.302(d)(6)", "us-screenings*", "through_55sieve", "15 15 15 15 15", "R"},
	{"868.302(d)(6)(ii): more than 50.0", "us-screenings*", "through_65sieve", ">50 >50 >50 >50 >50", "R"},
	{"868.302(d)(6)(ii): more than 10.0", "us-screenings*", "through_6sieve", ">10 >10 >10 >10 >10", "R"},
	{"868.312", "us-screenings*", "paddy_seeds", "30 75 125 175 250", "R"},
	{"868.312", "us-screenings*", "objectionable_seeds", "20 50 90 140 200", "R"},
	{"868.312", "us-screenings", "chalky", "5 8 12 20 30", "R"},
	{"868.312, notes", "us-screenings", "heat_parboiled", "3 3 3 3 -", "R"},
	{"868.312, notes", "us-screenings*", "through_30sieve", "1 1 1 1 -", "R"},
	{"868.312", "us-screenings", "colour", "1 2 3 4 5", "R"},
	{"868.313", "us-brewers*", "paddy_seeds", "0.5 1 1.5 3 5", "R"},
	{"868.313", "us-brewers*", "objectionable_seeds", "0.05 0.1 0.2 0.4 1.5", "R"},
	{"868.313 (g)", "us-brewers*", "through_25sieve", "15 15 15 15 15", "R"},
	{"868.313, notes", "us-brewers us-brewers-granulated", "heat_parboiled", "3 3 3 3 -", "R"},
	{"868.313, note 4: not for granulated brewers", "us-brewers us-brewers-parboiled", "through_30sieve", "1 1 1 1 -", "R"},
	{"868.315(b)", "us-brewers-granulated", "through_5sieve", ">=95 >=95 >=95 >=95 >=95", "R"},
	{"868.315(b)", "us-brewers-granulated", "through_4sieve", ">=70 >=70 >=70 >=70 >=70", "R"},
	{"868.313", "us-brewers us-brewers-granulated", "colour", "1 2 3 4 5", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-round", "chalky", "6", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-medium eu-intervention-longa eu-intervention-longb", "chalky", "4", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-round", "red_striated", "10", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-medium eu-intervention-longa eu-intervention-longb", "red_striated", "5", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-round", "spotted_stained", "4", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-medium eu-intervention-longa eu-intervention-longb", "spotted_stained", "2.75", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-round", "amber", "1", "R"},
	{"2016/1238, Annex II Part III", "eu-intervention-medium eu-intervention-longa eu-intervention-longb", "amber", "0.5", "R"},
	{"2016/1238, Annex II Part III", "eu-*", "yellow", "0.175", "R"},
	{"2016/1238, Annex II Part III", "eu-*", "impurities", "1", "R"},
	{"2016/1238, Annex II Part III", "eu-*", "other_varieties", "5", "R"},
	{"2016/1238, Annex II Part I.1(b)", "eu-*", "moisture", "14.5", "R"},
	{"schedule of 2009-10; what a broken is was not read", "in-central-raw-*", "broken", "25", "M"},
	{"schedule of 2009-10; what a broken is was not read", "in-central-parboiled-*", "broken", "16", "M"},
	{"schedule of 2009-10; what a small broken is was not read", "in-central-*", "small_broken", "1", "M"},
	{"schedule of 2009-10; that crumbs count is from memory", "in-central-*", "foreign", "0.5", "M"},
	{"2025-26, restated", "in-central-*", "mineral", "0.2", "S"},
	{"schedule of 2009-10, note **", "in-central-*", "animal", "0.1", "R"},
	{"schedule of 2009-10", "in-central-raw-*", "damaged", "3", "R"},
	{"schedule of 2009-10", "in-central-parboiled-*", "damaged", "4", "R"},
	{"schedule of 2009-10", "in-central-raw-*", "discoloured", "3", "R"},
	{"schedule of 2009-10", "in-central-parboiled-*", "discoloured", "5", "R"},
	{"schedule of 2009-10", "in-central-raw-*", "chalky", "5", "R"},
	{"schedule of 2009-10", "in-central-*", "red", "3", "R"},
	{"schedule of 2009-10: grade A only", "in-central-raw-a in-central-parboiled-a", "admixture", "6", "R"},
	{"2025-26, restated", "in-central-*", "dehusked", "13", "S"},
	{"schedule of 2009-10, note @", "in-central-*", "moisture", "14", "R"},
	{"NFA/PNS table", "ph", "head", ">=95 >=80 >=65 >=50", "M"},
	{"NFA/PNS table", "ph", "broken", "4.9 19.75 34.5 49", "M"},
	{"NFA/PNS table", "ph", "brewers", "0.1 0.25 0.5 1", "M"},
	{"textbook table 7.8", "ph", "damaged", "0 0.25 0.5 2", "S"},
	{"textbook table 7.8", "ph", "discoloured", "0.5 2 4 8", "S"},
	{"textbook table 7.8", "ph", "chalky_immature", "2 5 10 15", "S"},
	{"NFA/PNS table", "ph", "contrasting", "3 6 10 18", "M"},
	{"NFA/PNS table", "ph", "red", "0 0.25 0.5 2", "M"},
	{"NFA/PNS table", "ph", "foreign", "0 0.1 0.2 0.5", "M"},
	{"NFA/PNS table", "ph", "paddy", "1 8 10 15", "M"},
	{"NFA SOP BR-PR04, II.A.1", "ph", "moisture", "14 14 14 14", "R"},
	{"NFA SOP BR-PR04, II.A.1", "ph", "odour", "0 0 0 0", "R"},
	{"NFA SOP BR-PR04, II.A.1", "ph", "insects", "0 0 0 0", "R"},
	{"Thai Rice Standards, restated", "thai-white", "broken", "4 4.5 5 7 12 17 28 28 40 50", "MSMMSMMSMM"},
	{"Thai Rice Standards, restated", "thai-white", "short_broken", "0 0.5 0.5 0.5 0.7 2 - - - -", "MMMMSM----"},
	{"Thai Rice Standards, restated", "thai-white", "c1", "0 0.1 0.1 0.1 0.3 0.5 1 2 2 3", "SMMMSMMMMM"},
	{"Thai Rice Standards, restated", "thai-white", "whole", ">=60 >=60 >=60 >=60 >=55 >=55 >=40 >=40 >=32 >=28", "SSMSSMMMMM"},
	{"Thai Rice Standards, restated", "thai-white", "long_class_1", ">=70 >=40 >=30 >=20 >=10 >=5 - - - -", "SSMSMM----"},
	{"Thai Rice Standards, restated", "thai-white", "long_class_3", "5 - - - - - - - - -", "S"},
	{"Thai Rice Standards, restated", "thai-white", "short_kernels", "0 5 5 10 15 30 <50 <50 <50 <50", "SSMMMMMMMM"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "yellow", "0 0.2 0.2 0.5 1 1 1 1 1 1", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "chalky", "3 6 6 6 7 7 7 8 10 10", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "paddy", "5 7 7 10 15 15 15 20 20 20", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "red_undermilled", "0 0 0 2 2 5 5 7 7 7", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "damaged", "0 0.25 0.25 0.25 0.5 1 1 2 2 2", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "glutinous", "1.5 1.5 1.5 1.5 1.5 2 2 2 2 2", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "other_matter", "0 0.2 0.2 0.3 0.4 0.4 1 2 2 2", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "milling", "1 1 1 2 2 3 3 4 4 4", "S"},
	{"Thai Rice Standards, a mill's restatement", "thai-white", "moisture", "14 14 14 14 14 14 14 14 14 14", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "long_class_2", ">=60 >=30", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "short_kernels", "10 20", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "whole", ">=80 >=75", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "broken", "4 12", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "short_broken", "0.5 0.7", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "c1", "0.1 0.3", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "red_undermilled", "0.5 2", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "yellow", "0.25 0.75", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "black", "0.1 0.2", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "partly_black_peck", "1.5 2.5", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "partly_black", "0.5 1", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "damaged", "1 1.5", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "glutinous", "1.5 1.5", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "other_matter", "0.2 0.4", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "paddy", "3 5", "S"},
	{"Thai parboiled rice, mills restate it", "thai-parboiled", "milling", "1 2", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "whole", ">=55 >=40", "M"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "broken", "12 28", "M"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "short_broken", "0.7 -", "M"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "c1", "0.3 2", "M"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "red_undermilled", "2 6", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "yellow", "1.5 4", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "damaged", "0.5 2", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "non_glutinous", "15 15", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "other_matter", "0.5 3", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "paddy", "10 20", "S"},
	{"Thai white glutinous rice, a mill restates it", "thai-glutinous", "milling", "2 4", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "broken", "15 25 40 >40", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "menir", "0.5 2 4 5", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "other_kernels", "1 4 5 5", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "paddy", "0 1 2 3", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "foreign", "0 0.05 0.05 0.05", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "milling", ">=95 >=95 >=95 -", "S"},
	{"National Food Agency 2/2023, restated by four newspapers", "id-rice", "moisture", "14 14 14 14", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "broken", "3 7 12", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "fragments", "0 0 0", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "other_rice", "1 2 4", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "damaged_discoloured", "0.25 0.5 0.75", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "chalky", "0 0 0", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "total", "4.5 10 18", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "short_kernels", "2 7 15", "S"},
	{"Dehradun basmati, restated by the warehousing regulator", "in-agmark-dehradun", "foreign", "- 0.25 0.25", "S"},
}

// limitsOf returns the limits of a factor as documentLimits writes them.
func limitsOf(s *standards.Standard, factor string) (figures, marks []string) {
	signs := map[standards.Bound]string{standards.AtMost: "", standards.Below: "<", standards.AtLeast: ">=", standards.Above: ">"}
	letters := map[standards.Mark]string{standards.Read: "R", standards.Restated: "S", standards.FromMemory: "M"}
	for g := range s.Grades {
		figure, mark := "-", "-"
		for _, l := range s.Limits(g) {
			if l.Factor.Code == factor {
				figure, mark = signs[l.Bound]+standards.FormatNumber(l.Value), letters[l.Mark]
			}
		}
		figures, marks = append(figures, figure), append(marks, mark)
	}
	return figures, marks
}

// Every limit of every file is held against its document, once.
func TestLimitsAgainstTheDocuments(t *testing.T) {
	all, err := standards.All()
	require.NoError(t, err)
	checked := map[string]bool{}
	for _, row := range documentLimits {
		for _, pattern := range strings.Fields(row.codes) {
			hit := false
			for _, s := range all {
				if ok, _ := path.Match(pattern, s.Code); !ok {
					continue
				}
				hit = true
				key := s.Code + " " + row.factor
				assert.False(t, checked[key], "%s stands twice in the list", key)
				checked[key] = true
				figures, marks := limitsOf(s, row.factor)
				assert.Equal(t, row.want, strings.Join(figures, " "), "%s (%s)", key, row.source)
				want := row.mark
				for g := range figures {
					if len(row.mark) > 1 {
						want = row.mark[g : g+1]
					}
					if figures[g] != "-" {
						assert.Equal(t, want, marks[g], "mark of %s, %s (%s)", key, s.Grades[g], row.source)
					}
				}
			}
			assert.True(t, hit, "no standard %s", pattern)
		}
	}
	for _, s := range all {
		for i := range s.Factors {
			if f := &s.Factors[i]; f.HasLimit() {
				assert.True(t, checked[s.Code+" "+f.Code], "%s %s is held against nothing", s.Code, f.Code)
			}
		}
	}
}
