package broker

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"
)

// ConfigText is the configuration of a nats-server of its own with the same grants as the embedded
// broker: one account, one nkey a worker, fsync before every ack. TLS is the installer's to add.
// Errors: a key that is no public user key.
func ConfigText(serverKey string, workers map[uuid.UUID]string) (string, error) {
	if !nkeys.IsValidPublicUserKey(serverKey) {
		return "", fmt.Errorf("server key %.80q is no public user key", serverKey)
	}
	machines := make([]uuid.UUID, 0, len(workers))
	for m, key := range workers {
		if !nkeys.IsValidPublicUserKey(key) {
			return "", fmt.Errorf("key %.80q of machine %s is no public user key", key, m)
		}
		machines = append(machines, m)
	}
	slices.SortFunc(machines, func(a, b uuid.UUID) int { return strings.Compare(a.String(), b.String()) })
	var b strings.Builder
	b.WriteString("# Broker of a kerfgate site, made by: kerfgate broker\n" +
		"jetstream {\n  store_dir: \"/data\"\n  # fsync before every ack: an ack that a power cut can take back is none\n  sync_interval: always\n}\n" +
		"accounts {\n  site {\n    jetstream: enabled\n    users: [\n")
	fmt.Fprintf(&b, "      { nkey: %s }\n", serverKey)
	for _, m := range machines {
		g := WorkerGrants(m)
		fmt.Fprintf(&b, "      { nkey: %s, permissions: {\n        publish: { allow: [%s] }\n        subscribe: { allow: [%s] }\n      } }\n",
			workers[m], quoted(g.Publish), quoted(g.Subscribe))
	}
	b.WriteString("    ]\n  }\n}\n")
	return b.String(), nil
}

func quoted(list []string) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = `"` + s + `"`
	}
	return strings.Join(out, ", ")
}
