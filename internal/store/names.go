package store

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// emptyPartition is Hive's directory name for a missing partition value.
const emptyPartition = "__HIVE_DEFAULT_PARTITION__"

// Escape makes a partition value fit for a directory name, as Hive does: letters, digits, '.', '_' and '-' stay,
// every other byte becomes %XX, and the empty value gets Hive's name for it.
func Escape(value string) string {
	if value == "" {
		return emptyPartition
	}
	var out strings.Builder
	for i := range len(value) {
		c := value[i]
		if 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || strings.IndexByte("._-", c) >= 0 {
			out.WriteByte(c)
			continue
		}
		fmt.Fprintf(&out, "%%%02X", c)
	}
	return out.String()
}

// Pseudonym replaces an identifier by a keyed hash of it (HMAC-SHA-256, RFC 2104, first 64 bits in hex). Without the
// key it can neither be turned back nor be guessed by trying identifiers. An empty key leaves the identifier as it is.
func Pseudonym(key, id string) string {
	if key == "" {
		return id
	}
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte(id))
	return hex.EncodeToString(mac.Sum(nil)[:8])
}
