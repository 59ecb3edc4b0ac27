use slitwatch::frame::*; use slitwatch::measure::*;
use zune_core::{bytestream::ZCursor, options::DecoderOptions, colorspace::ColorSpace};
pub fn load(p:&str)->(Frame,Option<f64>){
 let b=std::fs::read(p).unwrap();
 let o=DecoderOptions::default().set_strict_mode(true).jpeg_set_out_colorspace(ColorSpace::RGB);
 let mut d=zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(&b[..]),o);
 let px=d.decode().unwrap(); let i=d.info().unwrap();
 let ex=exif::Reader::new().read_from_container(&mut std::io::Cursor::new(&b)).ok();
 let g=|t|ex.as_ref().and_then(|e|e.get_field(t,exif::In::PRIMARY)).and_then(|f|f.value.get_uint(0));
 let or=g(exif::Tag::Orientation).unwrap_or(1); let f35=g(exif::Tag::FocalLengthIn35mmFilm);
 let lin:Vec<f32>=(0..256).map(|c|{let v=c as f64/255.0;(if v<=0.04045{v/12.92}else{((v+0.055)/1.055f64).powf(2.4)}) as f32}).collect();
 let (w,h)=(i.width as usize,i.height as usize);
 let f=Frame::new(Samples::U8(px),w,h,Orientation::from_exif(or as u16),lin.into(),253);
 (f,f35.map(|f|f as f64/43.27*((w*w+h*h) as f64).sqrt()))
}
fn main(){
 for p in std::env::args().skip(1){
  let (f,fp)=load(&p);
  let t=std::time::Instant::now();
  let m=locate::Map::new(&f); let t1=t.elapsed();
  let l=locate::locate(&m,fp);
  println!("{p} {}x{} f {:?} map {:?} all {:?}",f.width(),f.height(),fp,t1,t.elapsed());
  let t2=t.elapsed();
  match l {Ok(l)=>{ let tr=trace::trace_slit(&f,&l);
   println!("   c {:.1},{:.1} disp {:.2} slit {:.2} half {:.1} edge {:.3}",l.centre.0,l.centre.1,l.dispersion_rad.to_degrees(),l.slit_rad.to_degrees(),l.half_length_px,l.edge_share);
   if let Some(s)=tr { 
   println!("   trace c {:.2},{:.2} along {:.3} half {:.1} n {} scatter {:.3} width {:.2} clip {:.2} t {:?}",s.centre.0,s.centre.1,s.along_rad.to_degrees(),s.half_length_px,s.cuts.len(),s.scatter_px,s.width_px,s.clipped_share,t.elapsed()-t2);
   let f0=fp.unwrap_or(0.8*f.width().max(f.height()) as f64);
   let mut o=optics::Optics::flush(1600.0,f0,f.width(),f.height()); o.roll_rad=l.dispersion_rad; o.aim_slit_at(s.centre.0,s.centre.1);
   let t3=std::time::Instant::now();
   for it in 0..2 {
   let e=band::edges(&f,&o.rays(),&[(-720.0,-390.0),(390.0,720.0)],s.half_length_px/f0,f0,15.0);
   let mut ob=vec![adjust::Observation::SameHeight{at:e.low.iter().map(|e|e.at).collect(),sigma_px:0.5},adjust::Observation::SameHeight{at:e.high.iter().map(|e|e.at).collect(),sigma_px:0.5},adjust::Observation::Prior{parameter:7,value:0.0,sigma:0.02}];
   ob.push(adjust::Observation::SamePath{at:s.cuts.iter().map(|c|(c.u,c.v)).collect(),sigma_nm:0.1});
   let Some(a)=adjust::adjust(&o,s.centre,&[3,5,7],&ob) else {println!("  no adjust {} {}",e.low.len(),e.high.len());break};
   let m=|v:&Vec<band::Edge>|{let mut b:Vec<f64>=v.iter().map(|e|e.blur_px).collect();b.sort_by(f64::total_cmp);b.get(b.len()/2).copied().unwrap_or(f64::NAN)};
   println!("   pose it {it} n {} {} chi {:.2} roll {:.3} +- {:.3} skew {:.3} pitch {:.3} blur {:.2} {:.2} t {:?}",e.low.len(),e.high.len(),(a.chi_squared/(e.low.len()*2) as f64).sqrt()*0.5,a.optics.tilt_rad().to_degrees(),a.covariance[3][3].sqrt().to_degrees(),a.optics.skew_rad().to_degrees(),a.optics.pitch_rad.to_degrees(),m(&e.low),m(&e.high),t3.elapsed());
   o=a.optics; let p=o.pitch_rad; let _=p;
   }
   let t4=std::time::Instant::now();
   let hb=s.half_length_px/o.focal_px;
   let lamp=lamp();
   let orders:Vec<scale::Order>=[-1.0,1.0].iter().map(|&sign|{let sl=profile::slabs(&f,&o.rays(),sign,(330.0,800.0),0.25,(-hb,hb));let pr=sl.profile(&o.rays());scale::Order{slabs:sl,profile:pr}}).collect();
   let t5=std::time::Instant::now();
   let e=band::edges(&f,&o.rays(),&[(-720.0,-390.0),(390.0,720.0)],s.half_length_px/f0,f0,15.0);
   let ho=vec![adjust::Observation::SameHeight{at:e.low.iter().map(|e|e.at).collect(),sigma_px:0.5},adjust::Observation::SameHeight{at:e.high.iter().map(|e|e.at).collect(),sigma_px:0.5}];
   let se=recognise::Search{focal_px:f0,focal_reach:if fp.is_some(){0.1}else{0.3},focal_sigma:if fp.is_some(){0.03}else{0.2},slit_px:s.centre};
   let mut log=vec![]; let t6=std::time::Instant::now();
   let r=scale::calibrate(&o,&s,&ho,&orders,&lamp,&se,&mut log);
   println!("   times extract {:?} calibrate {:?}",t5-t4,t6.elapsed());
   for l in &log {println!("   {l}")}
   match r { Err(e)=>println!("   REFUSED {e:?}"), Ok(c)=>{ let q=&c.calibration; println!("   rms {:.3} shape {:?} f {:.1} yaw {:.3} k1 {:.4} roll {:.3} skew {:.3}",q.rms_nm,c.shape,q.optics.focal_px,q.optics.yaw_rad.to_degrees(),q.optics.k1,q.optics.tilt_rad().to_degrees(),q.optics.skew_rad().to_degrees());
     for l in &q.lines { println!("     {} {} res {:+.3} sig {:.3} loo {:+.3?}",l.order,l.name,l.residual_nm,l.sigma_nm,l.left_out_nm); }
     println!("   sigma {:?}",q.sigma_curve.iter().step_by(4).map(|x|format!("{:.0}:{:.3}",x.0,x.1)).collect::<Vec<_>>());
     // truth check
     let truth:serde_json::Value=serde_json::from_str(&std::fs::read_to_string(std::env::var("TRUTH").unwrap()).unwrap()).unwrap();
     let key=p.rsplit('/').take(2).collect::<Vec<_>>(); let key=format!("{}/{}",key[1],key[0]);
     for m in ["-1","1"] { let mp=&truth[&key]["mapping"][m]; if mp.is_null(){continue;} let mut out=String::new(); let nm=mp["nm"].as_array().unwrap(); for i in (0..nm.len()).step_by(3){ let u=&mp["upright"][i]; if !mp["inside"][i].as_bool().unwrap(){continue;} let got=q.optics.rays().path_nm(u[0].as_f64().unwrap(),u[1].as_f64().unwrap()).0; out+=&format!("{:.0}:{:+.3} ",nm[i].as_f64().unwrap(),got.abs()-nm[i].as_f64().unwrap()); } println!("   TRUE {m} {out}"); }
   } }
   }
  },Err(e)=>println!("   ERR {e}")}
 }
}

fn lamp()->Lamp{ let mut lines=vec![];
 for (w,s,f) in [(404.656,0.25,true),(407.783,0.03,false),(435.833,0.6,true),(491.607,0.02,false),(546.074,0.8,true),(576.960,0.2,true),(579.066,0.22,true)] { lines.push(LampLine{wavelength_nm:w,sigma_nm:0.002,strength:s,name:format!("Hg {w:.2}"),fit:f,width_nm:0.0}); }
 for (w,wd,s,sg) in [(450.0,50.0,0.1,5.0),(487.7,4.0,0.25,0.7),(491.5,4.0,0.12,0.8),(541.9,2.0,0.4,0.5),(544.9,2.0,0.8,0.5),(548.5,3.0,0.25,0.8),(584.0,3.0,0.2,0.8),(587.6,3.5,0.3,0.8),(593.0,3.0,0.2,0.8),(599.0,3.0,0.2,0.8),(611.6,2.5,1.0,0.5),(620.5,4.0,0.15,1.0),(630.5,3.0,0.2,0.8),(650.0,3.0,0.1,0.8),(662.0,4.0,0.05,1.0),(687.0,4.0,0.05,1.0),(693.0,4.0,0.05,1.0),(708.0,4.0,0.08,1.0)] { lines.push(LampLine{wavelength_nm:w,sigma_nm:sg,strength:s,name:format!("band {w}"),fit:false,width_nm:wd}); }
 lines.sort_by(|a,b|a.wavelength_nm.total_cmp(&b.wavelength_nm)); Lamp{name:"fluorescent".into(),title:"f".into(),lines} }
