package journal

import (
	"bytes"
	"testing"
)

// Vectors of RFC 3720, appendix B.4 (iSCSI CRC32C), and the check value of "123456789" in the
// catalogue of CRC algorithms; both written down from memory.
func TestChecksum_PublishedVectors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		data []byte
		want uint32
	}{
		{bytes.Repeat([]byte{0}, 32), 0x8a9136aa},
		{bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43},
		{[]byte("123456789"), 0xe3069283},
	} {
		if got := checksum(c.data[:4], c.data[4:]); got != c.want {
			t.Errorf("crc of %x: %08x, want %08x", c.data, got, c.want)
		}
	}
}

func TestEncodeFrame_Bounded(t *testing.T) {
	t.Parallel()
	if _, err := encodeFrame(1, []Fact{{Kind: Reported, Data: make([]byte, maxFrame)}}); err == nil {
		t.Fatal("a frame over the bound was made")
	}
	frame, err := encodeFrame(7, []Fact{{Kind: Burned, Permit: [32]byte{1}}})
	if err != nil {
		t.Fatal(err)
	}
	if g, n := decodeFrame(frame); n != len(frame) || g.Seq != 7 || g.Facts[0].Permit != [32]byte{1} {
		t.Fatalf("read back %+v, %d of %d bytes", g, n, len(frame))
	}
	t.Logf("a burn of only a permit takes %d bytes", len(frame))
}
