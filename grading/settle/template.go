package settle

import _ "embed"

// Template is a contract to fill in. Its figures are invented and are no one's
// terms; it can be used as it stands.
//
//go:embed template.yaml
var Template string
