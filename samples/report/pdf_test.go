package report

import (
	"testing"

	"github.com/go-fonts/liberation/liberationsansbold"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/sfnt"
)

// vietnamese are its letters beside those of English, with every tone.
const vietnamese = "ăâđêôơưĂÂĐÊÔƠƯàáảãạằắẳẵặầấẩẫậèéẻẽẹềếểễệìíỉĩịòóỏõọồốổỗộờớởỡợùúủũụừứửữựỳýỷỹỵÀÁẢÃẠẰẮẲẴẶẦẤẨẪẬÈÉẺẼẸỀẾỂỄỆÌÍỈĨỊÒÓỎÕỌỒỐỔỖỘỜỚỞỠỢÙÚỦŨỤỪỨỬỮỰỲÝỶỸỴ"

// The font prints Latin with Vietnamese, Greek and Cyrillic; other letters are
// told, and so are those that it has but cannot set: from right to left, and marks
// by themselves.
func TestLettersOfTheFont(t *testing.T) {
	font, err := pdfFont()
	require.NoError(t, err)
	bold, err := sfnt.Parse(liberationsansbold.TTF)
	require.NoError(t, err)
	for in, want := range map[string]struct{ text, lacking string }{
		"Lô 17, Ω, Ж": {"Lô 17, Ω, Ж", ""}, "a\nb": {"a b", ""}, "gạo trắng": {"gạo trắng", ""}, "ga\u0323o": {"gạo", ""}, vietnamese: {vietnamese, ""},
		"大米 a": {" a", "大米"}, "😀": {"", "😀"}, "ข้าว": {"", "ข้าว"}, "שלום": {"", "שלום"}, "q\u0323": {"q", "\u0323"}, "a\u200bb": {"ab", ""},
		"ñçãàü ¿½± “” – … € ₫ ●■○□": {"ñçãàü ¿½± “” – … € ₫ ●■○□", ""},
	} {
		p := &letterForms{font: font, lacking: map[rune]bool{}}
		assert.Equal(t, want.text, p.plain(in), in)
		for _, r := range want.lacking {
			assert.True(t, p.lacking[r], "%s: %c", in, r)
		}
		assert.Equal(t, want.lacking != "", len(p.lacking) > 0, in)
		for _, r := range p.plain(in) {
			g, err := bold.GlyphIndex(&p.buf, r)
			assert.True(t, err == nil && g != 0, "bold lacks %c", r)
		}
	}
}
