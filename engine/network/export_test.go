package network

// Contacts gives the number of contacts on the board.
func (m *Model) Contacts() int { return len(m.contacts) }
