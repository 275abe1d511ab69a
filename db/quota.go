package db

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"kerfgate/checklist"
)

// Limits bound what one member hands in, so that nobody, or a program with somebody's token, fills the
// site's disk or its queue.
type Limits struct {
	Files int64 // drawings within 24 hours
	MiB   int64 // of drawings and of plans made of them within 24 hours
	Runs  int64 // that are not over, at a time
}

// withinFiles refuses a drawing of so many bytes over the member's limits of a day. Drawings that come at
// the same moment are not counted: no more than the server holds in memory at once.
func (s *Store) withinFiles(ctx context.Context, member uuid.UUID, bytes int64) error {
	var limits Limits
	var files, size int64
	if err := s.pool.QueryRow(ctx, `SELECT site.member_files, site.member_mib,
			(SELECT count(*) FROM drawing WHERE member = $1 AND received_at > now() - interval '1 day'),
			(SELECT coalesce(sum(b.size), 0) FROM drawing d JOIN blob b ON b.digest = d.digest WHERE d.member = $1 AND d.received_at > now() - interval '1 day')
			+ (SELECT coalesce(sum(b.size), 0) FROM plan p JOIN blob b ON b.digest = p.digest WHERE p.member = $1 AND p.made_at > now() - interval '1 day')
		FROM site`, member).Scan(&limits.Files, &limits.MiB, &files, &size); err != nil {
		return meaning(err)
	}
	var no []checklist.Reason
	if bytes > 0 && files >= limits.Files {
		no = append(no, checklist.Reason{What: fmt.Sprintf("you handed in %d drawings within a day, and one member may hand in %d", files, limits.Files),
			Next: "plan one of those that you handed in, come back tomorrow, or ask an admin for a higher limit"})
	}
	if size+bytes > limits.MiB<<20 {
		no = append(no, checklist.Reason{What: fmt.Sprintf("your drawings and plans of a day would be over %d MiB, which is what one member may hand in", limits.MiB),
			Next: "come back tomorrow, simplify the drawing, or ask an admin for a higher limit"})
	}
	if len(no) > 0 {
		return &Refused{Reasons: no}
	}
	return nil
}

// readRoom tells why so many more runs are too many for a member; nothing where they are not.
func readRoom(b *pgx.Batch, member uuid.UUID, more int64, no *[]checklist.Reason) {
	b.Queue(`SELECT member_runs, (SELECT count(*) FROM run r JOIN job j ON j.id = r.job WHERE r.phase <> 'closed' AND j.member = $1)
		FROM site`, member).QueryRow(func(row pgx.Row) error {
		var limit, waiting int64
		if err := row.Scan(&limit, &waiting); err != nil {
			return meaning(err)
		}
		if waiting+more > limit {
			*no = append(*no, checklist.Reason{What: fmt.Sprintf("%d of your runs are not over yet, and one member may have %d at a time", waiting, limit),
				Next: "wait until some of them are done, withdraw a job, or ask an admin for a higher limit"})
		}
		return nil
	})
}
