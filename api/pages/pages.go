// Package pages cuts lists into pages. A page says by a token where the next one begins: behind the last item that it
// holds. Items that come or go meanwhile are neither the cause that another is left out, nor that it comes twice; where
// the item that a token names has gone, nobody knows any more where that was, and the token is refused.
package pages

import (
	"cmp"
	"fmt"
	"slices"

	"facetd.example/api/invalid"
)

const (
	// Default is how many items a page has where the request does not say.
	Default = 100
	// Most is how many it has at most.
	Most = 1000
)

// Request asks for a page.
type Request interface {
	GetPageSize() uint32
	GetPageToken() string
}

// Of is the page of a list that a request asks for, and the token of the next one, empty for the last. name tells the
// items apart. The order of the list must stay the same while items come and go.
func Of[T any](r Request, list []T, name func(T) string) (page []T, next string, wrong invalid.Errors) {
	size := int(cmp.Or(r.GetPageSize(), Default))
	if size > Most {
		wrong.Add("page_size", fmt.Sprintf("a page of %d items is too large", size),
			fmt.Sprintf("use at most %d", Most))
	}
	begin := 0
	if token := r.GetPageToken(); token != "" {
		at := slices.IndexFunc(list, func(item T) bool { return name(item) == token })
		if at < 0 {
			wrong.Add("page_token", "it is no token of this list, or what it stands for has gone",
				"give the next_page_token of the page before, or begin anew without one")
		}
		begin = at + 1
	}
	if len(wrong) > 0 {
		return nil, "", wrong
	}
	page = list[begin:min(begin+size, len(list))]
	if begin+len(page) < len(list) {
		next = name(page[len(page)-1])
	}
	return page, next, nil
}
