// Moves the boundaries of regions and combines regions with Clipper2. In: a list of jobs
// {a: rings, b: rings, do: "settle"|"offset"|"symmetric", rule, by, tolerance}, rings as lists of
// [x, y] in whole micrometres. Out: for each job its rings.
const factory = require("clipper2-wasm");
factory().then((lib) => {
  const jobs = JSON.parse(require("fs").readFileSync(0, "utf8"));
  const read = (rings) => {
    const paths = new lib.Paths64();
    for (const ring of rings || []) {
      const path = new lib.Path64();
      path.assign(BigInt64Array.from(ring.flatMap((p) => [BigInt(p[0]), BigInt(p[1]), 0n])));
      paths.push_back(path);
      path.delete();
    }
    return paths;
  };
  const write = (paths) => {
    const rings = [];
    for (let i = 0; i < paths.size(); i++) {
      const path = paths.get(i);
      const ring = [];
      for (let k = 0; k < path.size(); k++) {
        const p = path.get(k);
        ring.push([Number(p.x), Number(p.y)]);
        p.delete();
      }
      rings.push(ring);
      path.delete();
    }
    return rings;
  };
  const rules = { positive: lib.FillRule.Positive, nonzero: lib.FillRule.NonZero };
  const out = jobs.map((job) => {
    const a = read(job.a), b = read(job.b);
    let result;
    switch (job.do) {
      case "settle":
        result = lib.UnionSelf64(a, rules[job.rule]);
        break;
      case "offset":
        result = lib.InflatePaths64(lib.UnionSelf64(a, rules[job.rule]), job.by, lib.JoinType.Round, lib.EndType.Polygon, 2, job.tolerance);
        break;
      case "symmetric":
        result = lib.Xor64(a, b, rules[job.rule]);
        break;
      default:
        throw new Error("unknown job " + job.do);
    }
    return write(result);
  });
  process.stdout.write(JSON.stringify(out));
});
