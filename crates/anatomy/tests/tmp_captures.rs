use understudy_anatomy::recognise;
use understudy_motion::{DVec3, Joint, Skeleton};
fn bvh(path: &std::path::Path) -> Skeleton {
    let text = std::fs::read_to_string(path).unwrap();
    let mut joints: Vec<Joint> = vec![];
    let mut open: Vec<Option<usize>> = vec![];
    let mut pending: Option<Option<usize>> = None;
    for line in text.lines() {
        let w: Vec<&str> = line.split_whitespace().collect();
        match w.first().copied() {
            Some("ROOT" | "JOINT") => {
                let parent = open.iter().rev().flatten().next().copied();
                joints.push(Joint::new(w[1..].join(" "), parent, DVec3::ZERO));
                pending = Some(Some(joints.len() - 1));
            }
            Some("End") => pending = Some(None),
            Some("{") => open.push(pending.take().unwrap()),
            Some("}") => { open.pop(); }
            Some("OFFSET") => {
                let v = DVec3::new(w[1].parse().unwrap(), w[2].parse().unwrap(), w[3].parse().unwrap()) * 0.01;
                match open.last().unwrap() {
                    Some(j) => joints[*j].rest.translation = v,
                    None => { let j = open.iter().rev().flatten().next().copied().unwrap(); joints[j].tips.push(v); }
                }
            }
            Some("MOTION") => break,
            _ => {}
        }
    }
    Skeleton::new(joints).unwrap()
}
#[test]
fn captures() {
    let mut seen = std::collections::BTreeMap::new();
    for entry in std::fs::read_dir("/work/main/target/outside/captures").unwrap() {
        let p = entry.unwrap().path();
        if p.extension().is_some_and(|e| e == "bvh") {
            let s = bvh(&p);
            let key = format!("{:?}", s.joints().iter().map(|j| &j.name).collect::<Vec<_>>());
            seen.entry(key).or_insert((p, s));
        }
    }
    for (p, s) in seen.values() {
      for nameless in [false, true] {
        let s = if nameless { let mut j = s.joints().to_vec(); for (i, j) in j.iter_mut().enumerate() { j.name = format!("bone_{}", (i*7919+13)%1009); } Skeleton::new(j).unwrap() } else { s.clone() };
        println!("==== {} {}", p.display(), s.len());
        let r = recognise(&s, None);
        let orig = &seen.values().find(|(q, _)| q == p).unwrap().1;
        for j in 0..s.len() {
            println!("{:26} {:?}", orig.name(j), r.roles.get(j).map(|a| format!("{} {:.2}", a.role, a.confidence)));
        }
        println!("{:?} {}", r.frame, r.frame_confidence);
        for n in &r.notes { println!("note {n}"); }
        let a = r.assemble(&s, None).unwrap();
        for n in &a.notes { println!("body {n}"); }
        println!("digitigrade {:?}", a.body.legs.iter().map(|l| l.digitigrade).collect::<Vec<_>>());
      }
    }
}
