//! Puts the mutants that `cargo mutants --list --json` names behind switches in the source itself: `crate::mutant(17)` is
//! true where the environment asks for mutant 17. So all of them are built once, and each is but a run of the tests.
//!
//!   switch FOLDER < MUTANTS        a JSON array of mutants with `id`; prints the ids that could not be placed

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use proc_macro2::LineColumn;
use serde_json::Value;
use syn::spanned::Spanned;
use syn::visit_mut::{self, VisitMut};
use syn::{Arm, Block, Expr, FieldValue, ImplItemFn, ItemConst, ItemFn, ItemStatic, parse_quote, parse_str};

/// What is to be placed in one file, by genre, line and column (from 1, as the list has them).
struct Switches {
    open: BTreeMap<(String, usize, usize), Vec<(u64, String)>>,
}

impl Switches {
    fn take(&mut self, genre: &str, at: LineColumn) -> Vec<(u64, String)> {
        self.open.remove(&(genre.to_string(), at.line, at.column + 1)).unwrap_or_default()
    }

    fn in_body(&mut self, body: &mut Block) {
        let Some(start) = body.stmts.first().map(|first| first.span().start()) else { return };
        visit_mut::visit_block_mut(self, body);
        for (id, value) in self.take("FnValue", start).into_iter().rev() {
            if value == "()" {
                body.stmts.insert(0, parse_quote!(if crate::mutant(#id) { return; }));
            } else {
                let value: Expr = parse_str(&value).expect("an expression");
                body.stmts.insert(0, parse_quote!(if crate::mutant(#id) { return #value; }));
            }
        }
    }
}

/// In brackets of its own, so that another operator beside it does not take part of it.
fn whole(operand: &Expr) -> Expr {
    match operand {
        Expr::Binary(_) | Expr::Cast(_) | Expr::Range(_) | Expr::Unary(_) => parse_quote!((#operand)),
        _ => operand.clone(),
    }
}

/// A link of a chain of conditions with `let` in it can't stand alone.
fn has_let(expr: &Expr) -> bool {
    match expr {
        Expr::Let(_) => true,
        Expr::Binary(binary) => has_let(&binary.left) || has_let(&binary.right),
        _ => false,
    }
}

impl VisitMut for Switches {
    /// Worked out by the compiler, where no switch can be asked.
    fn visit_item_const_mut(&mut self, _: &mut ItemConst) {}
    fn visit_item_static_mut(&mut self, _: &mut ItemStatic) {}

    fn visit_item_fn_mut(&mut self, function: &mut ItemFn) {
        self.in_body(&mut function.block);
    }

    fn visit_impl_item_fn_mut(&mut self, function: &mut ImplItemFn) {
        self.in_body(&mut function.block);
    }

    fn visit_expr_mut(&mut self, expr: &mut Expr) {
        let at = match expr {
            Expr::Binary(binary) => Some(("BinaryOperator", binary.op.span().start())),
            Expr::Unary(unary) => Some(("UnaryOperator", unary.op.span().start())),
            _ => None,
        };
        visit_mut::visit_expr_mut(self, expr);
        let Some((genre, at)) = at else { return };
        if has_let(expr) {
            return;
        }
        let original = expr.clone();
        for (id, replacement) in self.take(genre, at) {
            let other: Expr = match &original {
                Expr::Binary(binary) => {
                    let op: syn::BinOp = parse_str(&replacement).expect("an operator");
                    let (left, right) = (whole(&binary.left), whole(&binary.right));
                    parse_quote!(#left #op #right)
                }
                Expr::Unary(unary) => *unary.expr.clone(),
                _ => unreachable!("asked above"),
            };
            *expr = parse_quote!((if crate::mutant(#id) { #other } else { #expr }));
        }
    }

    fn visit_arm_mut(&mut self, arm: &mut Arm) {
        let start = arm.span().start();
        let guarded = arm.guard.as_ref().map(|(_, guard)| guard.span().start());
        visit_mut::visit_arm_mut(self, arm);
        for (id, value) in guarded.map(|at| self.take("MatchArmGuard", at)).unwrap_or_default() {
            let (token, guard) = arm.guard.take().expect("seen above");
            let guard: Expr = match value.as_str() {
                "true" => parse_quote!((crate::mutant(#id) || (#guard))),
                _ => parse_quote!((!crate::mutant(#id) && (#guard))),
            };
            arm.guard = Some((token, Box::new(guard)));
        }
        for (id, _) in self.take("MatchArm", start) {
            let guard: Expr = match arm.guard.take() {
                Some((_, guard)) => parse_quote!((!crate::mutant(#id) && (#guard))),
                None => parse_quote!(!crate::mutant(#id)),
            };
            arm.guard = Some((Default::default(), Box::new(guard)));
        }
    }

    fn visit_expr_struct_mut(&mut self, made: &mut syn::ExprStruct) {
        visit_mut::visit_expr_struct_mut(self, made);
        let rest = made.rest.clone();
        let Some(rest) = rest else { return };
        for field in &mut made.fields {
            for (id, _) in self.take("StructField", field.span().start()) {
                let (name, value) = (&field.member, &field.expr);
                let value: Expr = parse_quote!(if crate::mutant(#id) { (#rest).#name } else { #value });
                let switched: FieldValue = parse_quote!(#name: #value);
                *field = switched;
            }
        }
    }
}

fn main() {
    let folder = std::env::args().nth(1).expect("a folder");
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).expect("a list");
    let mutants: Vec<Value> = serde_json::from_str(&text).expect("a list in JSON");
    let mut files: BTreeMap<String, Switches> = BTreeMap::new();
    for mutant in &mutants {
        let words = |key: &str| mutant[key].as_str().expect("text").to_string();
        let number = |key: &str| mutant["span"]["start"][key].as_u64().expect("a number") as usize;
        let switches = files.entry(words("file")).or_insert(Switches { open: BTreeMap::new() });
        let at = (words("genre"), number("line"), number("column"));
        switches.open.entry(at).or_default().push((mutant["id"].as_u64().expect("a number"), words("replacement")));
    }
    for (name, mut switches) in files {
        let path = Path::new(&folder).join(&name);
        let mut file = syn::parse_file(&std::fs::read_to_string(&path).expect("a source file")).expect("it parses");
        switches.visit_file_mut(&mut file);
        std::fs::write(&path, prettyplease::unparse(&file)).expect("written");
        for (id, _) in switches.open.into_values().flatten() {
            println!("{id}");
        }
    }
}
