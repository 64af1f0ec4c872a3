from dooryard.cli import main

raise SystemExit(main())
