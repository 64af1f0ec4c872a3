from dooryard.cli.main import main

raise SystemExit(main())
