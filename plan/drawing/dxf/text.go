package dxf

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/japanese"
	"golang.org/x/text/encoding/korean"
	"golang.org/x/text/encoding/simplifiedchinese"
	"golang.org/x/text/encoding/traditionalchinese"
)

// codePages are those that $DWGCODEPAGE may name before R2007, but for JOHAB.
var codePages = map[string]encoding.Encoding{
	"ANSI_874": charmap.Windows874, "ANSI_1250": charmap.Windows1250, "ANSI_1251": charmap.Windows1251,
	"ANSI_1252": charmap.Windows1252, "ANSI_1253": charmap.Windows1253, "ANSI_1254": charmap.Windows1254,
	"ANSI_1255": charmap.Windows1255, "ANSI_1256": charmap.Windows1256, "ANSI_1257": charmap.Windows1257,
	"ANSI_1258": charmap.Windows1258,
	"DOS437":    charmap.CodePage437, "DOS850": charmap.CodePage850, "DOS852": charmap.CodePage852,
	"DOS855": charmap.CodePage855, "DOS860": charmap.CodePage860, "DOS862": charmap.CodePage862,
	"DOS863": charmap.CodePage863, "DOS865": charmap.CodePage865, "DOS866": charmap.CodePage866,
	"ISO8859-1": charmap.ISO8859_1, "ISO8859-2": charmap.ISO8859_2, "ISO8859-3": charmap.ISO8859_3,
	"ISO8859-4": charmap.ISO8859_4, "ISO8859-5": charmap.ISO8859_5, "ISO8859-6": charmap.ISO8859_6,
	"ISO8859-7": charmap.ISO8859_7, "ISO8859-8": charmap.ISO8859_8, "ISO8859-9": charmap.ISO8859_9,
	"MACINTOSH": charmap.Macintosh, "MAC-ROMAN": charmap.Macintosh,
	"ANSI_932": japanese.ShiftJIS, "DOS932": japanese.ShiftJIS,
	"ANSI_936": simplifiedchinese.GBK, "GB2312": simplifiedchinese.GBK,
	"ANSI_949": korean.EUCKR, "KSC5601": korean.EUCKR,
	"ANSI_950": traditionalchinese.Big5, "BIG5": traditionalchinese.Big5,
}

// text decodes a name: UTF-8 from R2007 (AC1021) on, the file's code page before, and the escapes
// \U+XXXX of both. The result is valid UTF-8, in one line, at most 80 characters long.
func (h header) text(raw []byte) string {
	var out string
	page := codePages[h.codePage]
	switch {
	case h.version >= "AC1021" || ascii(raw):
		out = strings.ToValidUTF8(string(raw), string(utf8.RuneError))
	case page != nil:
		decoded, err := page.NewDecoder().Bytes(raw)
		if err != nil {
			decoded = raw
		}
		out = strings.ToValidUTF8(string(decoded), string(utf8.RuneError))
	case h.codePage == "" && utf8.Valid(raw):
		out = string(raw) // no code page: what is valid UTF-8 was most likely written as such
	case h.codePage == "":
		decoded, _ := charmap.Windows1252.NewDecoder().Bytes(raw)
		out = string(decoded)
	default:
		out = strings.ToValidUTF8(string(raw), string(utf8.RuneError))
	}
	out = strings.Join(strings.Fields(unescape(out)), " ")
	if runes := []rune(out); len(runes) > 80 {
		out = string(runes[:80])
	}
	return out
}

func ascii(raw []byte) bool {
	for _, c := range raw {
		if c >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// readsCodePage says whether names of the file can be decoded.
func (h header) readsCodePage() bool {
	return h.codePage == "" || h.version >= "AC1021" || codePages[h.codePage] != nil ||
		h.codePage == "ASCII" || h.codePage == "UNDEFINED"
}

// unescape replaces \U+ and four hexadecimal digits by the character that they number. A pair that
// stands for one character beyond the first plane is not joined and shows as replacement characters.
func unescape(text string) string {
	if !strings.Contains(text, `\U+`) {
		return text
	}
	var out strings.Builder
	for {
		before, after, found := strings.Cut(text, `\U+`)
		out.WriteString(before)
		if !found {
			return out.String()
		}
		text = after
		if len(text) >= 4 {
			if v, err := strconv.ParseUint(text[:4], 16, 16); err == nil {
				out.WriteRune(rune(v))
				text = text[4:]
				continue
			}
		}
		out.WriteString(`\U+`)
	}
}
